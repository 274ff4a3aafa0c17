// The job on the bench: shown at the top, changed by one tap or one scan of its label.

import { api } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";

export class Jobs {
  constructor() {
    this.current = null;
    this.list = [];
    this.button = byId("job");
    this.button.addEventListener("click", () => this.choose());
  }

  update(view) {
    this.current = view.job;
    this.show();
  }

  show() {
    const job = this.list.find((one) => one.id === this.current);
    setText(this.button.querySelector("b"), this.current ?? "no job");
    setText(this.button.querySelector(".soft"), job?.device || "On the bench");
  }

  async reload() {
    this.list = await api.jobs().catch(() => this.list);
    this.show();
  }

  async choose() {
    await this.reload();
    const fault = el("p", { class: "fault", role: "alert" });
    const pick = (id, text, more) => {
      const node = button("", () => attempt(node, fault, async () => {
        await api.chooseJob(id);
        closeSheet();
      }), { class: "pick", "aria-current": id === this.current ? "true" : null });
      node.append(el("b", {}, text), el("span", { class: "soft" }, more));
      return node;
    };
    showSheet("Which job is on the bench?", el("div", { class: "sheet-body" },
      this.form(fault), fault,
      ...this.list.map((job) => pick(job.id, job.id, [job.device, job.symptom].filter(Boolean).join(": "))),
      pick(null, "No job", "traces are filed without one")), "job-sheet");
  }

  /** A scanner types the label and Enter: a known job is chosen, a new one is taken in. */
  form(fault) {
    const field = (name, label, props = {}) => [
      el("label", { for: `job-${name}` }, label),
      el("input", { id: `job-${name}`, name, autocomplete: "off", ...props }),
    ];
    const go = el("button", { type: "submit", class: "go", testid: "job-go" }, "Put on the bench");
    const form = el("form", { class: "fields" },
      ...field("id", "Scan or type the job's id", { required: true, "data-first": true, maxlength: 40, autocapitalize: "characters", testid: "job-id" }),
      el("details", {}, el("summary", {}, "New device: say more"),
        el("div", { class: "fields" },
          ...field("device", "Device", { maxlength: 120 }),
          ...field("board", "Board", { maxlength: 120 }),
          ...field("symptom", "Symptom", { maxlength: 1000 }))),
      go);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const job = Object.fromEntries([...new FormData(form)].map(([key, value]) => [key, value.trim()]));
      attempt(go, fault, async () => {
        if (!this.list.some((one) => one.id === job.id)) await api.createJob(job);
        await api.chooseJob(job.id);
        closeSheet();
      });
    });
    return form;
  }
}
