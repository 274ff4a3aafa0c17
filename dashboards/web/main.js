// Wires the page: messages from the bench to the parts, addresses after # to views.

import { BenchPart } from "./bench/benchpart.js";
import { FootSwitch } from "./bench/footswitch.js";
import { Trips } from "./bench/trips.js";
import { Warnings } from "./bench/warnings.js";
import { Jobs } from "./jobs/jobs.js";
import { RunStrip } from "./measure/strip.js";
import { benchClock } from "./shared/clock.js";
import { byId, setData, setText } from "./shared/dom.js";
import { age } from "./shared/format.js";
import { LazyView } from "./shared/lazyview.js";
import { Link } from "./shared/link.js";
import { Presses } from "./shared/presses.js";
import { Traces } from "./traces/traces.js";

/** @import { BenchView } from "./shared/types.js" */

/**
 * A part of the page. What it has of these is called:
 * @typedef {object} Part
 * @property {(view: BenchView) => unknown} [update] with how the bench stands, at least once a second
 * @property {(kind: string, payload: any) => unknown} [event] with what has happened
 * @property {() => unknown} [reload] after each connection: what was missed
 * @property {(live: boolean) => unknown} [refresh] twice a second; `live`: whether the bench is heard
 * @property {(id: string | null) => unknown} [open] as the view that is looked at
 * @property {() => unknown} [close]
 */

const presses = new Presses();
const bench = new BenchPart(byId("part-channels"));
const trips = new Trips(bench.hearing);
const warnings = new Warnings(byId("warnings"));
const jobs = new Jobs();
const traces = new Traces();
const runStrip = new RunStrip(byId("runs"));
const journal = new LazyView(async () => new (await import("./jobs/journal.js")).Journal());
const plans = new LazyView(async () => new (await import("./settings/plansview.js")).PlansView());
/** Views that open something by its id; true: only with one. @type {Record<string, [LazyView, boolean]>} */
const OPENED = {
  trace: [new LazyView(async () => new (await import("./traces/traceview.js")).TraceView()), true],
  trip: [new LazyView(async () => new (await import("./traces/tripview.js")).TripView()), true],
  compare: [new LazyView(async () => new (await import("./traces/compareview.js")).CompareView()), true],
  job: [new LazyView(async () => new (await import("./jobs/jobview.js")).JobView()), false],
  jobs: [new LazyView(async () => new (await import("./jobs/jobsview.js")).JobsView()), false],
  settings: [new LazyView(async () => new (await import("./settings/settingsview.js")).SettingsView()), false],
  plans: [plans, false],
  measure: [new LazyView(async () => new (await import("./measure/measureview.js")).MeasureView(bench.hearing)), false],
};
/** Each view, and the tab that it stands under. @type {Record<string, string>} */
const VIEWS = {
  bench: "bench", traces: "traces", trace: "traces", trip: "traces", compare: "traces", journal: "job", job: "job", jobs: "jobs",
  settings: "settings", plans: "settings", measure: "bench",
};
const views = Object.values(OPENED).map(([part]) => part);
/** @type {Part[]} */
const parts = [bench, trips, jobs, traces, journal, runStrip, ...views];
/** @type {BenchView | null} */
let view = null;

const link = new Link(take, () => Promise.all(parts.map((part) => part.reload?.())));
bench.footSwitch = new FootSwitch(() => (link.live ? view : null), trips);

/** @param {any} message */
function take(message) {
  if (message.type === "bench") takeBench(message);
  else if (message.type === "samples") bench.samples(message);
  else if (message.type === "event") takeEvent(message.kind, message.payload);
}

/** @param {BenchView} message */
function takeBench(message) {
  view = message;
  benchClock.heard(view.t_ns, performance.now());
  setText(byId("bench-name"), view.bench);
  document.title = `${view.channels.some((one) => one.latched) ? "TRIPPED · " : ""}${view.bench}`;
  for (const part of parts) part.update?.(view);
  tick();
}

/** @param {string} kind @param {any} payload */
function takeEvent(kind, payload) {
  if (["trace", "trip"].includes(kind)) traces.reload();
  if (kind === "plan") plans.reload();
  if (kind === "job") jobs.reload();
  if (["trace", "trip", "journal", "job", "output", "consent", "stage", "plan"].includes(kind)) renewJournal();
  for (const part of parts) part.event?.(kind, payload);
}

/** At once, and once more when it is quiet: who asked is written down only after what was asked has happened. */
const QUIET_MS = 700;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let renewing;
function renewJournal() {
  journal.reload();
  clearTimeout(renewing);
  renewing = setTimeout(() => journal.reload(), QUIET_MS);
}

/** The age of things goes on when nothing comes. */
function tick() {
  const state = link.live ? "live" : link.silence === null ? "wait" : "lost";
  setData(byId("link"), "state", state);
  const [words, seconds] = byId("link").children;
  setText(words, { live: "live", wait: document.body.dataset.signedOut === "true" ? "not signed in" : "connecting", lost: "link lost" }[state]);
  setText(seconds, state === "lost" ? ` ${age(link.silence)}` : "");
  setData(document.body, "link", state);
  presses.refresh(state === "live");
  for (const part of parts) part.refresh?.(state === "live");
  warnings.update(view, state);
}
setInterval(tick, 500);

/** Where the journal stands beside the bench. */
const beside = matchMedia("(min-width: 1100px)");

/**
 * What had the focus may have gone with its view: then the new view has it, is read out by name, and Tab goes on in it.
 * @param {Element | null} had the focus before
 * @param {string} shown
 */
function carryFocus(had, shown) {
  if (had === null || had === document.body || (had.isConnected && had.getClientRects().length > 0)) return;
  /** @type {HTMLElement | null} */ (document.querySelector(`main > .view-${shown}`))?.focus({ preventScroll: true });
}

function route() {
  const had = document.activeElement;
  const [name, id] = location.hash.slice(1).split("/");
  const shown = name in VIEWS ? name : "bench";
  document.body.dataset.view = shown;
  for (const section of document.querySelectorAll("main > section")) section.toggleAttribute("data-looked-at", section.classList.contains(`view-${shown}`));
  for (const tab of /** @type {NodeListOf<HTMLAnchorElement>} */ (document.querySelectorAll(".tabs a"))) {
    if (tab.hash === `#${VIEWS[shown]}`) tab.setAttribute("aria-current", "page");
    else tab.removeAttribute("aria-current");
  }
  for (const [one, [part, needsId]] of Object.entries(OPENED)) {
    if (shown === one && (id || !needsId)) part.open(id ? decodeURIComponent(id) : null);
    else part.close();
  }
  if (shown === "journal" || beside.matches) journal.open(null);
  trips.look();
  scrollTo(0, 0);
  carryFocus(had, shown);
}
// What is scrolled to, or has the focus, must not come to lie under the head.
new ResizeObserver(([head]) => document.documentElement.style.setProperty("--head", `${Math.ceil(head.borderBoxSize[0].blockSize)}px`))
  .observe(/** @type {Element} */ (document.querySelector(".head")));

// What is said over the cut-off bar makes it higher: an open sheet ends above it.
new ResizeObserver(([foot]) => document.documentElement.style.setProperty("--foot-now", `${Math.ceil(foot.borderBoxSize[0].blockSize)}px`))
  .observe(/** @type {Element} */ (document.querySelector(".foot")));

addEventListener("hashchange", route);
beside.addEventListener("change", route);
route();
