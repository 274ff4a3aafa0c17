// What was measured on a job: runs of procedures, each a link to what came of it.

import { messageOf } from "../shared/api.js";
import { el } from "../shared/dom.js";
import { measureApi } from "../measure/measureapi.js";
import { runRows } from "../measure/runrows.js";
import { refill } from "./refill.js";

const MOST = 50;

export class Measurements {
  constructor() {
    this.job = "";
    this.list = el("div", {});
    this.node = el("section", { class: "job-part", "aria-label": "Measurements", testid: "measurements" }, el("h3", {}, "Measurements"), this.list,
      el("a", { class: "like-button", href: "#measure", "data-key": "measure", testid: "job-measure" }, "Measure …"));
  }

  /** @param {string} job */
  async show(job) {
    if (job !== this.job) refill(this.list);
    this.job = job;
    try {
      const runs = await measureApi.runs({ job, limit: MOST });
      if (job === this.job) refill(this.list, runs.length ? runRows(runs) : el("p", { class: "soft" }, "None yet."));
    } catch (fault) {
      if (job === this.job) refill(this.list, el("p", { class: "fault" }, messageOf(fault)));
    }
  }
}
