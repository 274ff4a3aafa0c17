// What came of a run: sentence, figures, pictures, points, moments; what can be done with it.

import { button, el } from "../shared/dom.js";
import { begin, clock } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { binsPlot, curvePlot } from "./curveplot.js";
import { measureApi } from "./measureapi.js";
import { lasting, outcome, resultText, sidesText, valueText, verdict } from "./measurewords.js";
import { pointTable } from "./points.js";
import { runAddress } from "./runrows.js";

/** @import { Curve, Happened, Result, Run, RunView } from "../shared/types.js" */
/** @typedef {{ destroy: () => void }} Drawn */

const COLUMNS = 600;
/** A run this long has a course worth a picture, s. */
const LONG_S = 120;
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
    const points = run.happened.some(({ kind }) => kind === "point");
    this.node = el("div", { class: "measure" }, el("h2", { tabindex: "-1" }, run.title),
      el("p", { class: "verdict", testid: "run-outcome" }, el("b", {}, outcome(run.outcome))), el("p", { class: "run-said", testid: "run-said" }, begin(run.text)),
      el("p", { class: "soft" }, [clock(run.began_ns), run.ended_ns === null ? "" : lasting((run.ended_ns - run.began_ns) / 1e9), sidesText(run), `plan ${run.plan}`].filter(Boolean).join(" · "),
        run.job ? " · " : null, run.job ? el("a", { class: "reach", href: `#job/${encodeURIComponent(run.job)}` }, run.job) : null),
      run.compared ? el("p", { testid: "run-compared" }, begin(run.compared), " ", run.earlier ? el("a", { class: "reach", href: runAddress(run.earlier) }, "The run before") : null) : null,
      run.results.length ? table(run.results) : null, this.pictures,
      points ? el("section", { "aria-label": "Points" }, el("h3", {}, "Points"), pointTable(run)) : null,
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
    for (const curve of run.curves) this.curve(curve, before);
    if (run.ended_ns === null || run.ended_ns - run.began_ns < LONG_S * 1e9) return;
    for (const { role } of run.sides) await this.course(run.id, role);
  }

  /** @param {Curve} curve @param {Run | null} before */
  curve(curve, before) {
    const earlier = before?.curves.filter(({ name }) => name === curve.name) ?? [];
    curve.columns.slice(1).forEach((column, n) => {
      const box = el("div", { class: "plot filed", role: "img", testid: "curve-plot", "aria-label": `${curve.title}: ${column.title} over ${curve.columns[0].title}, ${curve.columns[0].values.length} points` });
      const legend = ["● measured, bars: 95 %", n === 0 && curve.fitted.length ? "— fitted" : "", earlier.length ? "- - the run before" : ""].filter(Boolean).join(" · ");
      this.pictures.append(el("h3", {}, curve.title), el("p", { class: "soft" }, legend), box);
      this.drawn.push(curvePlot(box, curve, earlier, n + 1));
    });
  }

  /** @param {string} id @param {string} role */
  async course(id, role) {
    const bins = await measureApi.bins(id, role, COLUMNS).catch(() => null);
    if (this.closed || bins === null || !bins.mean_a.some((value) => value !== null)) return;
    const box = el("div", { class: "plot filed", role: "img", testid: "bins-plot", "aria-label": "Current over time: mean, least and largest" });
    this.pictures.append(el("h3", {}, role === "main" ? "Its course" : `Its course: ${role}`), el("p", { class: "soft" }, "— mean · shade: least to largest"), box,
      ...(bins.gaps.length ? [el("p", {}, `⚠ Without readings: ${bins.gaps.map(([from, to]) => `${lasting(from)} to ${lasting(to)}`).join(", ")} after its beginning.`)] : []));
    this.drawn.push(binsPlot(box, bins));
  }

  actions() {
    const { run, may_resume: may, reference } = this.found;
    /** @type {HTMLElement[]} */
    const nodes = [el("a", { class: "like-button", href: `#measure/card:${encodeURIComponent(run.card)}`, testid: "again" }, "Do it again …")];
    if (may) nodes.push(this.resume(run));
    if (reference) nodes.push(el("p", { testid: "is-reference" }, `✓ Reference for ${reference}`));
    else if (run.curves.length) {
      const board = el("input", { id: "reference-board", maxlength: 120, autocomplete: "off", testid: "reference-board" });
      const mark = button("Keep as reference", () => attempt(mark, this.fault, async () => this.onChanged(await measureApi.reference(run.id, board.value.trim(), ""))), { "data-changes": true, testid: "make-reference" });
      nodes.push(el("details", {}, el("summary", {}, "It was a good board …"), el("div", { class: "plan-field" }, el("label", { for: board.id }, "Kind of board (empty: the job's)"), board), mark));
    }
    return el("div", { class: "run-actions" }, ...nodes);
  }

  /** @param {Run} run */
  resume(run) {
    const accept = el("input", { type: "checkbox", testid: "resume-accept" });
    const go = button("Let it go on", () => attempt(go, this.fault, async () => {
      await measureApi.resume(run.id, accept.checked);
      this.onChanged(await measureApi.run(run.id));
    }), { class: "go", "data-changes": true, testid: "resume" });
    return el("section", { class: "finding", "aria-label": "It can go on" }, el("p", {}, "It was interrupted and waits. It goes on only when you say so; the gap stays in its record."),
      run.cautions.length ? el("ul", { class: "cautions" }, ...run.cautions.map((text) => el("li", {}, text))) : null,
      el("label", { class: "tick" }, accept, "I have looked at the bench, and the cautions hold."), go);
  }
}

/** @param {Result[]} results */
const table = (results) => el("table", { class: "before-after run-table", testid: "results" },
  el("thead", {}, el("tr", {}, ...["What", "Measured, 95 %", "Verdict"].map((text) => el("th", { scope: "col" }, text)))),
  el("tbody", {}, ...results.map((one) => el("tr", {}, el("td", {}, one.title, one.text && one.text !== one.value ? el("p", { class: "soft hint" }, one.text) : null),
    el("td", {}, resultText(one)), el("td", { class: "run-verdict", "data-verdict": one.verdict }, one.verdict ? verdict(one.verdict) : "–")))));

/** @param {Happened} one */
const moment = ({ t_ns, kind, text }) => el("li", { "data-kind": kind === "trip" || kind === "gap" ? "trip" : kind }, el("time", { class: "soft" }, clock(t_ns)), el("span", {}, `${KINDS[kind] ?? kind}${text ? `: ${text}` : ""}`));

/** @param {Run} run */
const figures = (run) => el("dl", { class: "figures" }, ...Object.entries(run.parameters).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, valueText(value))]), el("dt", {}, "card"), el("dd", {}, `${run.card}, version ${run.version}`));
