// Runs as a list of links.

import { el } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { outcome, sidesText } from "./measurewords.js";

/** @import { RunRow } from "../shared/types.js" */

/** @param {string} id */
export const runAddress = (id) => `#measure/run:${encodeURIComponent(id)}`;

/** @param {RunRow[]} runs */
export const runRows = (runs) => el("ul", { class: "rows", testid: "runs" }, ...runs.map((run) => el("li", {},
  el("a", { class: "trace-row", href: runAddress(run.id), "data-key": run.id, testid: "run-row" },
    el("span", {}, run.title), el("span", { class: "sure" }, outcome(run.outcome)),
    el("span", { class: "more" }, el("span", {}, run.text), el("span", {}, [clock(run.began_ns), sidesText(run), run.job ?? "no job", run.may_resume ? "can go on" : ""].filter(Boolean).join(" · ")))))));
