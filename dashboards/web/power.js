// The sheet before power goes on: which plan, and what to look at first.

import { api } from "./api.js";
import { askConsent } from "./consent.js";
import { el, button } from "./dom.js";
import { attempt, closeSheet, showSheet } from "./sheet.js";
import { withUnit } from "./format.js";
import { CAUTIONS } from "./words.js";

/** Ask for a plan and switch on; before that for consent, where the supply's profile wants it. */
export function askPower(channel, plans) {
  if (channel.consent_key) {
    askConsent(channel, () => askPower({ ...channel, consent_key: "" }, plans));
    return;
  }
  const fault = el("p", { class: "fault", role: "alert" });
  const go = button("Power on", () => attempt(go, fault, async () => {
    await api.powerOn(channel.supply, channel.channel, form.elements.plan.value);
    closeSheet();
  }), { class: "go", testid: "power-on-confirm" });
  const form = el("form", { class: "plans", on: { submit: (event) => event.preventDefault() } },
    ...plans.map((plan) => el("label", { class: "plan" },
      el("input", { type: "radio", name: "plan", value: plan.name, checked: plan.name === channel.plan }),
      el("b", {}, plan.name),
      el("span", {}, `${withUnit(plan.voltage_v, "V")}, limit ${withUnit(plan.limit_a, "A")}`))));
  const cautions = el("ul", { class: "cautions" }, ...CAUTIONS.map((text) => el("li", {}, text)));
  const notes = channel.notes?.length
    ? el("details", {}, el("summary", {}, "About this supply …"),
      el("ul", {}, el("li", { class: "soft" }, `Profile ${channel.profile}`), ...channel.notes.map((text) => el("li", {}, text))))
    : null;
  showSheet(`Power on ${channel.supply} · output ${channel.channel}`,
    el("div", { class: "sheet-body" }, cautions, notes, form, go, fault), "power-sheet");
}
