// What somebody typed, scanned or followed to come in.

/** Of the codes that the bench makes: no 0 and O, no 1 and I. */
const CODE = /^[2-9A-HJ-NP-Z]{10}$/;

/**
 * A token or a code, whichever it is: people should not have to know which of both they were given.
 * @param {string} text
 * @returns {{ token: string } | { code: string }}
 */
export function shown(text) {
  const plain = text.replace(/[\s-]/g, "").toUpperCase();
  return CODE.test(plain) ? { code: plain } : { token: text.trim() };
}

/**
 * The parts behind the # of the sign-in page's address: a code, and where to go then.
 * @param {string} hash
 * @returns {{ code: string, back: string }}
 */
export function fromHash(hash) {
  const parts = new URLSearchParams(hash.replace(/^#/, ""));
  const back = parts.get("back") ?? "";
  // Only a part of our own page, or that of all benches: an address from elsewhere must not lead away from here.
  return { code: parts.get("code") ?? "", back: /^(\/benches|[a-z]+(\/[^/]*)?)$/.test(back) ? back : "" };
}

/**
 * How long something lasts, in words.
 * @param {number} seconds
 */
export function lasting(seconds) {
  if (seconds < 5400) return `${Math.max(1, Math.round(seconds / 60))} min`;
  if (seconds < 129600) return `${Math.round(seconds / 3600)} h`;
  return `${Math.round(seconds / 86400)} days`;
}
