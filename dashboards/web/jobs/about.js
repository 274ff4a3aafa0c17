// What a job says of the device, to be read at a glance.

import { el } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { battery, field, risk } from "./jobwords.js";

/** @import { Job } from "../shared/types.js" */

const SWOLLEN = "Swollen cell: out of the room, into a fire-proof place. Do not power the board with it fitted.";
const FITTED = "Battery fitted: disconnect it before feeding its terminals. Never charge a cell from the bench.";

/** What must not be overlooked. @param {Job} job @returns {HTMLElement[]} */
export function urgent(job) {
  const words = { swollen: SWOLLEN, in: FITTED }[/** @type {string} */ (job.battery)];
  return words ? [el("p", { class: "caution", "data-urgent": String(job.battery === "swollen"), testid: "battery-caution" }, words)] : [];
}

/** @param {Job} job @returns {HTMLElement[]} */
export function about(job) {
  const pairs = [
    [field("symptom"), job.symptom],
    [field("wanted_back"), job.wanted_back],
    [field("history"), job.history],
    [field("board"), job.board],
    [field("battery"), battery(job.battery)],
    [field("accessories"), job.accessories],
    ["The owner agrees", job.consent.length ? job.consent.map(risk).join(" ") : "nothing noted"],
    ["Taken in", clock(job.created_ns)],
  ];
  return [
    el("h3", {}, "What it is about"),
    el("dl", { class: "about-list" }, ...pairs.filter(([, value]) => value).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)])),
  ];
}
