// Who one is on this page, and what one may do: shown in the head; what may not be done is not offered.
// The bench decides by itself, whatever is offered here. Cutting off is always offered.

import { ask, Fault, messageOf } from "../shared/api.js";
import { button, byId, el, setData, setText } from "../shared/dom.js";
import { showSheet } from "../shared/sheet.js";
import { lasting } from "./shown.js";

/**
 * @typedef {{ name: string, role: "viewer" | "operator", since_ns: number | null, until_ns: number | null,
 *   can: { look: boolean, off: boolean, change: boolean }, note: string }} Me
 * @typedef {{ id: string, name: string, role: string, since_ns: number, until_ns: number, paired: boolean }} SignedIn
 * @typedef {{ code: string, seconds: number, addresses: string[], role: string }} Pairing
 */

const LOOK_MS = 5000;
const NARROW = matchMedia("(max-width: 699.9px)");

/** @type {Me | null} */
let me = null;
let signedOut = false;
const badge = button("", () => showSheet("Who is here", about(), "access"), { class: "badge", testid: "badge", "aria-haspopup": "dialog", hidden: true });
const gone = el("p", { class: "signed-out", role: "alert", testid: "signed-out", hidden: true });

/** False for who may only look and switch off. True as long as nothing else is known: the bench decides anyway. */
export const mayChange = () => me?.can.change ?? true;

/** Ask the bench who one is. */
async function look() {
  try {
    take(await ask("GET", "/me"));
  } catch (thrown) {
    if (!(thrown instanceof Fault) || thrown.status !== 401) return; // no link: others tell
    signedOut = true;
    setData(document.body, "signedOut", "true");
    const back = location.pathname === "/benches" ? "/benches" : location.hash.slice(1);
    gone.replaceChildren("You are not signed in, so nothing is shown and nothing can be cut from here. ",
      el("a", { class: "like-button go", href: `/sign-in${back ? `#back=${encodeURIComponent(back)}` : ""}` }, "Sign in"));
    gone.hidden = false;
  }
}

/** @param {Me} found */
function take(found) {
  me = found;
  signedOut = false;
  setData(document.body, "signedOut", "false");
  gone.hidden = true;
  setData(document.body, "role", found.role);
  badge.hidden = found.until_ns === null;
  place();
}

/** What the sheet shows. */
function about() {
  const fault = el("p", { class: "fault", role: "alert" });
  const others = el("div", { class: "others" });
  const found = /** @type {Me} */ (me);
  const out = button("Sign out here", () => act(fault, async () => {
    await ask("POST", "/sign-out");
    location.assign("/sign-in");
  }), { class: "quiet", testid: "sign-out" });
  const whole = ((found.until_ns ?? 0) - (found.since_ns ?? 0)) / 1e9;
  const box = el("div", { class: "access" },
    el("p", {}, `You are ${found.name}, ${found.role}, for ${lasting(whole)} from signing in.`),
    el("p", {}, found.can.change ? "You may do everything." : "You may look, and switch off. For everything else sign in as an operator."),
    found.note ? el("p", { class: "clear-text" }, found.note) : null, out, fault, others);
  if (found.can.change) {
    others.append(el("h3", {}, "Let a phone in"), ...letIn(fault), el("h3", {}, "Signed in"), el("ul", { class: "signed-in", testid: "signed-in" }));
    list(others, fault);
  }
  return box;
}

/** @param {HTMLElement} fault */
function letIn(fault) {
  const code = el("p", { class: "pair-code", role: "status", testid: "code" });
  /** @param {"viewer" | "operator"} role @param {string} words */
  const ask_ = (role, words) => button(words, () => act(fault, async () => {
    /** @type {Pairing} */
    const made = await ask("POST", "/pairings", { name: "phone", role });
    code.replaceChildren(el("b", {}, made.code), ` lets one ${role} in, once, within ${lasting(made.seconds)}, at `,
      made.addresses.map((each) => `${each}sign-in`).join(" or "));
  }), { testid: `pair-${role}` });
  return [el("div", { class: "known-ways" }, ask_("viewer", "To look"), ask_("operator", "As operator")), code];
}

/** @param {HTMLElement} box @param {HTMLElement} fault */
async function list(box, fault) {
  await act(fault, async () => {
    /** @type {SignedIn[]} */
    const there = (await ask("GET", "/sessions")).sessions;
    box.querySelector("ul")?.replaceChildren(...there.map((one) => el("li", {},
      el("span", {}, `${one.name}, ${one.role}${one.paired ? ", paired" : ""}${one.since_ns === me?.since_ns ? " (here)" : ""}`),
      button("Sign out", () => act(fault, async () => {
        await ask("DELETE", `/sessions/${one.id}`);
        await list(box, fault);
      }), { class: "quiet", "aria-label": `Sign out ${one.name}` }))));
  });
}

/** @param {HTMLElement} fault @param {() => Promise<void>} action */
async function act(fault, action) {
  setText(fault, "");
  try {
    await action();
  } catch (thrown) {
    setText(fault, messageOf(thrown));
  }
}

/** On a phone the head has no room: a viewer's goes into a line of its own, an operator's under everything else. */
function place() {
  if (!NARROW.matches) byId("link").before(badge);
  else if (mayChange()) document.querySelector("main")?.append(badge);
  else document.querySelector(".head-row")?.parentElement?.append(badge);
  if (me === null) return;
  const full = NARROW.matches ? `Signed in as ${me.name} …` : me.name;
  const words = me.can.change ? full : `Looks only: ${me.name}`;
  setText(badge, words);
  badge.setAttribute("aria-label", `${words}, signed in as ${me.role}`);
}

place();
NARROW.addEventListener("change", place);
document.querySelector(".head-row")?.after(gone);
look();
document.addEventListener("visibilitychange", () => document.hidden || look());
// A page that has lost its link may have lost it because it is let in no more.
setInterval(() => (signedOut || document.body.dataset.link !== "live") && look(), LOOK_MS);
