// The page to come in by: a token or a code that is typed, or a code that came with the address.

import { ask, messageOf } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { fromHash, lasting, shown } from "./shown.js";

/** @typedef {import("./access.js").Me} Me */

const secret = /** @type {HTMLInputElement} */ (byId("secret"));
const readable = /** @type {HTMLInputElement} */ (byId("readable"));
const enter = /** @type {HTMLButtonElement} */ (byId("enter"));
const came = fromHash(location.hash);
// A code is good once: it has no business in the browser's list of pages.
history.replaceState(null, "", location.pathname);

/** @param {{ token: string } | { code: string }} what */
async function signIn(what) {
  enter.disabled = true;
  setText(byId("fault"), "");
  setText(byId("state"), "Signing in …");
  try {
    await ask("POST", "/sign-in", what);
    location.replace(came.back.startsWith("/") ? came.back : `/#${came.back}`);
  } catch (thrown) {
    setText(byId("state"), "");
    setText(byId("fault"), messageOf(thrown));
    enter.disabled = false;
    // A link that was followed once more: its code is used up, and who follows it may be in all the same.
    if ("code" in what && what.code === came.code && await known()) {
      setText(byId("fault"), "");
      return;
    }
    secret.focus();
    secret.select();
  }
}

async function signOut() {
  try {
    await ask("POST", "/sign-out");
    location.reload();
  } catch (thrown) {
    setText(byId("fault"), messageOf(thrown));
  }
}

/** Somebody who is in already is told so. True if so. */
async function known() {
  /** @type {Me | null} */
  const me = await ask("GET", "/me").catch(() => null);
  if (me === null) {
    secret.focus();
    return false;
  }
  const whole = me.until_ns === null ? "" : `, for ${lasting((me.until_ns - (me.since_ns ?? me.until_ns)) / 1e9)} in all`;
  byId("known").replaceChildren(
    el("p", {}, me.until_ns === null ? "Nobody needs to sign in on this machine." : `You are signed in as ${me.name}, ${me.role}${whole}.`),
    el("div", { class: "known-ways" },
      el("a", { class: "like-button go", href: "/" }, "To the bench"),
      me.until_ns === null ? null : button("Sign out", signOut, { class: "quiet", testid: "sign-out" })));
  byId("known").hidden = false;
  byId("form").hidden = me.until_ns === null;
  return true;
}

readable.addEventListener("change", () => secret.setAttribute("type", readable.checked ? "text" : "password"));
byId("form").addEventListener("submit", (event) => {
  event.preventDefault();
  signIn(shown(secret.value));
});

if (came.code) signIn({ code: came.code });
else known();
