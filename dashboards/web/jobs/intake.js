// Taking a device in: everything that is asked at the counter, on one page.

import { api, Fault } from "../shared/api.js";
import { el } from "../shared/dom.js";
import { say } from "../shared/said.js";
import { attempt } from "../shared/sheet.js";
import { JobFields } from "./fields.js";
import { jobApi } from "./jobapi.js";
import { printLabel } from "./label.js";

/**
 * The form. `id`: already known, as from a label that was scanned; `next`: the one that would be made; `done()`: it is taken in.
 * @param {string} id
 * @param {string} next
 * @param {string[]} boards
 * @param {() => void} done
 */
export function intake(id, next, boards, done) {
  const fields = new JobFields({}, boards);
  const number = el("input", { id: "intake-id", name: "job-id", value: id, maxlength: 40, autocomplete: "off", autocapitalize: "characters",
    placeholder: next, "aria-describedby": "hint-intake-id", testid: "intake-id" });
  const use = el("input", { type: "checkbox", name: "use", checked: true, testid: "intake-use" });
  const label = el("input", { type: "checkbox", name: "label", testid: "intake-label" });
  const go = el("button", { type: "submit", class: "go", testid: "intake-go", "data-changes": true }, "Take it in");
  const form = el("form", { class: "intake" },
    el("div", { class: "job-field" }, el("label", { for: "intake-id" }, "Job id"), number,
      el("p", { class: "hint soft", id: "hint-intake-id" }, "Scan or type the shop's own; left empty, the next free one is given.")),
    fields.node,
    el("div", { class: "choices" },
      el("label", { class: "tick" }, use, "Put it on the bench now"),
      el("label", { class: "tick" }, label, "Print its label")),
    go);
  // A scanner ends with Enter: the form is not sent half filled for it.
  number.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    /** @type {HTMLElement | null} */ (form.querySelector("[name=device]"))?.focus();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    attempt(go, fields.fault, async () => {
      const job = await create(fields, number);
      done();
      if (use.checked) await api.chooseJob(job.id);
      say(`${job.id} is taken in${use.checked ? " and on the bench" : ""}.`);
      location.hash = `#job/${encodeURIComponent(job.id)}`;
      if (label.checked) printLabel(job.id);
    });
  });
  return form;
}

/** @param {JobFields} fields @param {HTMLInputElement} number */
async function create(fields, number) {
  const id = number.value.trim();
  number.removeAttribute("aria-invalid");
  try {
    return await jobApi.create({ ...fields.values, ...(id ? { id } : {}) });
  } catch (fault) {
    if (fault instanceof Fault && fault.where === "body.id") {
      number.setAttribute("aria-invalid", "true");
      number.focus();
    } else fields.point(fault instanceof Fault ? fault.where : undefined);
    throw fault;
  }
}
