// Changing what a job says of the device, while somebody else may be doing the same.

import { Fault } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";
import { JobFields } from "./fields.js";
import { jobApi } from "./jobapi.js";
import { changes } from "./merge.js";

/** @import { Job } from "../shared/types.js" */

/**
 * The sheet; `done(job)` once it is written, `closed()` when the sheet is gone after that.
 * @param {Job} job
 * @param {string[]} boards
 * @param {(job: Job) => void} done
 * @param {() => void} closed
 */
export function editJob(job, boards, done, closed) {
  let seen = job.version;
  const fields = new JobFields(job, boards);
  const note = el("p", { class: "conflict", role: "alert", testid: "conflict" });
  const go = el("button", { type: "submit", class: "go stay", testid: "edit-go" }, "Keep the changes");
  const form = el("form", { class: "sheet-body" }, note, fields.node, go, button("Leave it as it was", closeSheet, { class: "quiet" }));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    await attempt(go, fields.fault, async () => {
      const wanted = changes(fields.base, fields.values);
      if (Object.keys(wanted).length === 0) {
        closeSheet();
        return;
      }
      try {
        done(await jobApi.change(job.id, wanted, seen));
        closeSheet();
        closed();
      } catch (fault) {
        if (!(fault instanceof Fault)) throw fault;
        if (fault.code !== "stale" || !fault.present) {
          fields.point(fault.where);
          throw fault;
        }
        seen = fault.present.version;
        const disputed = fields.meet(fault.present);
        setText(note, disputed.length
          ? "Somebody else changed this job while you were typing. Nothing is written yet: look at the marked fields, then keep the changes."
          : "Somebody else changed other parts of this job while you were typing; they are taken over. Keep the changes once more.");
        note.scrollIntoView({ block: "nearest" });
      }
    });
  });
  showSheet(`Change ${job.id}`, form, "edit-sheet");
}
