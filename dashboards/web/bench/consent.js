// The question before a supply with an unverified profile is switched on for the first time.

import { api } from "../shared/api.js";
import { button, el } from "../shared/dom.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";

/** @import { ChannelView } from "../shared/types.js" */

/**
 * Ask for consent. Nothing is switched here.
 * @param {ChannelView} channel
 * @param {() => void} then once it was given
 */
export function askConsent(channel, then) {
  const fault = el("p", { class: "fault", role: "alert" });
  const accept = button("Accept this profile", async () => {
    if (await attempt(accept, fault, () => api.consent(channel.supply, channel.consent_key, "the page"))) then();
  }, { class: "go", testid: "consent-accept", "data-changes": true });
  const leave = button("Leave it off", closeSheet, { testid: "consent-leave" });
  const body = el("div", { class: "sheet-body" },
    el("p", { id: "consent-text" }, channel.consent_text),
    el("p", {}, "Accepting is kept in the log, and asked again when the profile or the model changes. ",
      el("b", {}, "At the first power-on have no board connected, and the supply in sight.")),
    leave, accept, fault);
  showSheet(`Unverified profile: ${channel.supply}`, body, "consent-sheet");
  body.parentElement?.setAttribute("aria-describedby", "consent-text");
}
