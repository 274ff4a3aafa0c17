// What can be edited: the kinds of files, and the files of one kind.

import { button, el, setText } from "../shared/dom.js";
import { drafts } from "./drafts.js";
import { KINDS } from "./filewords.js";
import { back } from "./parts.js";

/** @import { FileRow } from "../shared/types.js" */

const STANDS = { own: "your own", settings: "in benchd.toml", shipped: "comes with benchd", "": "" };

/** @param {FileRow[]} files */
export function overview(files) {
  /** @param {string} kind */
  const of = (kind) => files.filter(({ file }) => file === kind);
  /** @param {string} kind */
  const broken = (kind) => of(kind).filter(({ faults }) => faults.length).length;
  /** @param {string} kind @param {string} href */
  const line = (kind, href) => el("li", {}, el("a", { class: "trace-row", href, testid: `kind-${kind}` },
    el("b", {}, KINDS[kind][1]), el("span", { class: broken(kind) ? "sure fault" : "sure" }, broken(kind) ? `${broken(kind)} not in order` : of(kind).length > 1 ? String(of(kind).length) : ""),
    el("span", { class: "more" }, KINDS[kind][2])));
  return [
    el("div", { class: "part-head" }, el("h2", {}, "Settings")),
    el("ol", { class: "rows" },
      of("supplies").length ? line("supplies", "#settings/bench") : el("li", { class: "note-box", testid: "no-file" }, "This bench runs without a settings file, as the demo does: its supplies cannot be edited here."),
      line("plan", "#plans"), line("card", "#settings/card"), line("checklist", "#settings/checklist"), line("steps", "#settings/steps:steps"),
      el("li", {}, el("a", { class: "trace-row", href: "#settings/changes", testid: "kind-changes" },
        el("b", {}, "Changes"), el("span", { class: "more" }, "Who changed which file, when, and what."))),
    ),
  ];
}

/** @param {string} kind @param {FileRow[]} files */
export function listOf(kind, files) {
  const fault = el("p", { class: "fault", role: "alert" });
  const name = el("input", { id: "new-name", autocomplete: "off", autocapitalize: "none", maxlength: 32, testid: "new-name" });
  const make = button("Make one", () => {
    if (/^[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?$/.test(name.value.trim())) location.hash = `#settings/${kind}:${name.value.trim()}`;
    else setText(fault, "A name is 1 to 32 of a-z, 0-9 and '-', beginning and ending with a letter or digit.");
  }, { testid: "new-make" });
  return [
    back(), el("h2", {}, KINDS[kind][1]), el("p", { class: "soft" }, KINDS[kind][2]),
    el("ol", { class: "rows" }, ...files.filter(({ file }) => file === kind).map(row)),
    kind === "card" ? el("p", { class: "soft" }, "Open one to change it, or to copy it under another name.")
      : el("div", { class: "plan-field", "data-changes": true }, el("label", { for: "new-name" }, "Name of a new one"), el("div", { class: "pair-buttons" }, name, make), fault),
  ];
}

/** @param {FileRow} file */
function row({ file, name, title, origin, overrides, faults }) {
  const draft = drafts.read(`${file}:${name}`);
  return el("li", {}, el("a", { class: "trace-row", href: `#settings/${file}:${encodeURIComponent(name)}`, testid: "file-row" },
    el("b", { class: "words" }, name), el("span", { class: "sure" }, draft ? "not saved yet" : ""),
    el("span", { class: "more" }, el("span", {}, title), el("span", {}, STANDS[origin] + (overrides ? ", before the one that comes with benchd" : ""))),
    faults.length ? el("span", { class: "more fault" }, faults.join(" ")) : null));
}
