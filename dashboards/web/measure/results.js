// What came of a run: sentence, figures, pictures, points, moments; what can be done with it.

import { button, el } from "../shared/dom.js";
import { begin, clock } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { coursePlot, curvePlot } from "./curveplot.js";
import { measureApi } from "./measureapi.js";
import { gapsText, lasting, notOff, outcome, probes, resultText, sidesText, valueText, verdict } from "./measurewords.js";
import { comparable, courseOf, courseRole } from "./plotdata.js";
import { pointTable } from "./points.js";
import { runAddress } from "./runrows.js";

/** @import { Curve, Happened, Run, RunView } from "../shared/types.js" */
/** @import { Course } from "./plotdata.js" */
/** @typedef {{ destroy: () => void }} Drawn */

const COLUMNS = 600;
/** A run this long has a course worth a picture, s. */
const LONG_S = 120;
/** Outcomes of runs that came to their end: others are no references. */
const COMPLETE = new Set(["passed", "failed", "done", "unclear"]);
/** @type {Record<string, string>} */
const KINDS = { began: "began", step: "step", mark: "mark", answer: "answer", point: "point", gap: "⚠ gap in the record", resumed: "went on", trip: "⚠ trip", off: "off", ended: "ended" };

export class Results {
  /** @param {RunView} found @param {(changed: RunView) => void} onChanged */
  constructor(found, onChanged) {
    this.found = found;
    this.onChanged = onChanged;
    /** @type {Drawn[]} */
    this.drawn = [];
    this.closed = false;
    const { run } = found;
    this.fault = el("p", { class: "fault", role: "alert" });
    this.pictures = el("div", { class: "run-pictures" });
    const points = run.happened.filter(({ kind }) => kind === "point");
    const named = points.some(({ values }) => probes(values)) ? "Points" : "Remarks";
    this.node = el("div", { class: "measure" }, el("h2", { tabindex: "-1" }, run.title),
      el("p", { class: "verdict", testid: "run-outcome" }, el("b", {}, outcome(run.outcome))), notOff(run) ? el("p", { class: "run-unsure", role: "alert", testid: "run-unsure" }, "It ended with an output that was NOT CONFIRMED OFF. What it is now stands under ", el("a", { href: "#bench" }, "Bench"), ". If in doubt, switch off at the supply, or pull its leads.") : null,
      el("p", { class: notOff(run) ? "soft" : "run-said", testid: "run-said" }, begin(run.text)),
      el("p", { class: "soft" }, [clock(run.began_ns), run.ended_ns === null ? "" : lasting((run.ended_ns - run.began_ns) / 1e9), sidesText(run), `plan ${run.plan}`].filter(Boolean).join(" · "),
        run.job ? " · " : null, run.job ? el("a", { class: "reach", href: `#job/${encodeURIComponent(run.job)}` }, run.job) : null),
      run.compared ? el("p", { testid: "run-compared" }, begin(run.compared), " ", run.earlier ? el("a", { class: "reach", href: runAddress(run.earlier) }, "The run before") : null) : null,
      found.beside.length ? el("p", { testid: "run-beside" }, "Good boards of its kind: ", ...found.beside.flatMap(({ run: id, job, began_ns }, n) => [n ? ", " : "", el("a", { class: "reach", href: runAddress(id) }, [job, clock(began_ns)].filter(Boolean).join(", "))])) : null,
      run.results.length ? table(run) : null, this.pictures,
      points.length ? el("section", { "aria-label": named }, el("h3", {}, named), pointTable(run)) : null,
      run.traces.length ? el("section", { "aria-label": "Power-ups" }, el("h3", {}, "Power-ups during it"), el("ul", { class: "run-links" }, ...run.traces.map((id) => el("li", {}, el("a", { class: "like-button", href: `#trace/${encodeURIComponent(id)}` }, id))))) : null,
      this.actions(), this.fault,
      el("details", {}, el("summary", {}, `Moments (${run.happened.length})`), el("ol", { class: "entries" }, ...run.happened.map(moment))),
      el("details", {}, el("summary", {}, "With which figures"), figures(run)));
    this.draw(run);
  }

  close() {
    this.closed = true;
    for (const one of this.drawn) one.destroy();
    this.drawn = [];
  }

  /** @param {Run} run */
  async draw(run) {
    const before = run.curves.length && run.earlier ? await measureApi.run(run.earlier).then((found) => found.run, () => null) : null;
    if (this.closed) return;
    const drawn = new Set();
    for (const curve of run.curves) {
      const course = courseOf(curve);
      if (course === null) this.curve(curve, before);
      else {
        drawn.add(courseRole(curve.name, run.sides[0]?.role));
        this.course(curve.title, course);
      }
    }
    if (run.ended_ns === null || run.ended_ns - run.began_ns < LONG_S * 1e9) return;
    for (const { role } of run.sides.filter((side) => !drawn.has(side.role))) {
      const bins = await measureApi.bins(run.id, role, COLUMNS).catch(() => null);
      if (this.closed) return;
      if (bins !== null && bins.mean_a.some((value) => value !== null)) this.course(role === "main" ? "Its course" : `Its course: ${role}`, bins);
    }
  }

  /** @param {Curve} curve @param {Run | null} before */
  curve(curve, before) {
    const same = (/** @type {Curve[]} */ curves) => curves.filter(({ name }) => name === curve.name);
    const [earlier, good] = [same(before?.curves ?? []), this.found.beside.flatMap(({ curves }) => same(curves))];
    curve.columns.slice(1).forEach((column, n) => {
      const box = el("div", { class: "plot filed", role: "img", testid: "curve-plot", "aria-label": `${curve.title}: ${column.title} over ${curve.columns[0].title}, ${curve.columns[0].values.length} points` });
      this.pictures.append(el("h3", {}, curve.columns.length > 2 ? `${curve.title}: ${column.title}` : curve.title), legend([["points", column.u.length ? "measured, bars: 95 %" : "measured"], n === 0 && curve.fitted.some((value) => value !== null) ? ["fit", "fitted"] : null,
        earlier.length ? ["before", "the run before"] : null, good.length ? ["good", good.length === 1 ? "a good board of its kind" : `${good.length} good boards of its kind`] : null]), box);
      this.drawn.push(curvePlot(box, curve, earlier, good, n + 1));
    });
  }

  /** @param {string} title @param {Course} course */
  course(title, course) {
    const { gaps } = course;
    const box = el("div", { class: "plot filed", role: "img", testid: "course-plot", "aria-label": `${title}: current over time, mean, least and largest${gaps.length ? `; ${gaps.length} gaps in the record` : ""}` });
    this.pictures.append(el("h3", {}, title), legend([["mean", "mean"], ["band", "least to largest"], gaps.length ? ["gap", "gap in the record"] : null]), box,
      ...(gaps.length ? [el("p", { testid: "gaps" }, gapsText(gaps))] : []));
    this.drawn.push(coursePlot(box, course));
  }

  actions() {
    const { run, may_resume: may, reference } = this.found;
    /** @type {HTMLElement[]} */
    const nodes = [el("a", { class: "like-button", href: `#measure/card:${encodeURIComponent(run.card)}`, testid: "again", "data-changes": true }, "Do it again …")];
    if (may) nodes.push(this.resume(run));
    if (reference) nodes.push(el("p", { testid: "is-reference" }, `✓ Reference for ${reference}`));
    else if (run.curves.some(comparable) && COMPLETE.has(run.outcome)) {
      const board = el("input", { id: "reference-board", maxlength: 120, autocomplete: "off", testid: "reference-board" });
      const mark = button("Keep as reference", () => attempt(mark, this.fault, async () => this.onChanged(await measureApi.reference(run.id, board.value.trim(), ""))), { "data-changes": true, testid: "make-reference" });
      nodes.push(el("details", { "data-changes": true }, el("summary", {}, "It was a good board …"), el("div", { class: "plan-field" }, el("label", { for: board.id }, "Kind of board (empty: the job's)"), board), mark));
    }
    return el("div", { class: "run-actions" }, ...nodes);
  }

  /** @param {Run} run */
  resume(run) {
    const accept = el("input", { type: "checkbox", testid: "resume-accept", on: { change: () => { go.disabled = !accept.checked; } } });
    const go = button("Let it go on", () => attempt(go, this.fault, async () => {
      await measureApi.resume(run.id, accept.checked);
      this.onChanged(await measureApi.run(run.id));
    }), { class: "go", "data-changes": true, testid: "resume" });
    go.disabled = true;
    return el("section", { class: "finding", "aria-label": "It can go on" }, el("p", {}, "It was interrupted and waits. It goes on only when you say so; the gap stays in its record."),
      run.cautions.length ? el("ul", { class: "cautions" }, ...run.cautions.map((text) => el("li", {}, text))) : null,
      el("label", { class: "tick", "data-changes": true }, accept, "I have looked at the bench, and the cautions hold."), go);
  }
}

/** What each line of a picture is. @param {([string, string] | null)[]} lines kind of the line, and words */
const legend = (lines) => el("ul", { class: "run-legend", testid: "legend" }, ...lines.flatMap((line) => (line === null ? [] : [el("li", {}, el("span", { class: "run-line", "data-line": line[0], "aria-hidden": "true" }), line[1])])));

/** What its sentence has said already is not said again. @param {Run} run */
const table = ({ results, text }) => el("table", { class: "before-after run-table", testid: "results" },
  el("thead", {}, el("tr", {}, ...["What", "Measured, 95 %", "Verdict"].map((title) => el("th", { scope: "col" }, title)))),
  el("tbody", {}, ...results.map((one) => el("tr", {}, el("td", {}, one.title, one.text && !text.includes(one.text) ? el("p", { class: "soft hint" }, one.text) : null),
    el("td", {}, resultText(one)), el("td", { class: "run-verdict", "data-verdict": one.verdict }, one.verdict ? verdict(one.verdict) : "–")))));

/** @param {Happened} one */
const moment = ({ t_ns, kind, text }) => el("li", { "data-kind": kind === "trip" || kind === "gap" ? "trip" : kind }, el("time", { class: "soft" }, clock(t_ns)), el("span", {}, `${KINDS[kind] ?? kind}${text ? `: ${text}` : ""}`));

/** @param {Run} run */
const figures = (run) => el("dl", { class: "figures" }, ...Object.entries(run.parameters).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, valueText(value))]), el("dt", {}, "card"), el("dd", {}, `${run.card}, version ${run.version}`));
