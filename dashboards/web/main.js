// Wires the page: messages from the bench to the parts, addresses after # to views.

import { Alarm } from "./bench/alarm.js";
import { ChannelCard } from "./bench/channel.js";
import { button, byId, el, setData, setText } from "./shared/dom.js";
import { FootSwitch } from "./bench/footswitch.js";
import { Followers } from "./bench/followers.js";
import { age } from "./shared/format.js";
import { Jobs } from "./jobs/jobs.js";
import { Journal } from "./jobs/journal.js";
import { Link } from "./shared/link.js";
import { CompareView } from "./traces/compareview.js";
import { JobView } from "./jobs/jobview.js";
import { JobsView } from "./jobs/jobsview.js";
import { SettingsView } from "./settings/settingsview.js";
import { PlansView } from "./settings/plansview.js";
import { Traces } from "./traces/traces.js";
import { TraceView } from "./traces/traceview.js";
import { Trips } from "./bench/trips.js";
import { TripView } from "./traces/tripview.js";
import { Warnings } from "./bench/warnings.js";

const DRAW_MS = 60;
/** Each view, and the tab that it stands under. */
const VIEWS = { bench: "bench", traces: "traces", journal: "job", trace: "traces", trip: "traces", compare: "traces", job: "job", jobs: "jobs", settings: "settings", plans: "settings" };
const cards = new Map();
const alarm = new Alarm();
const trips = new Trips(alarm);
const warnings = new Warnings(byId("warnings"));
const jobs = new Jobs();
const traces = new Traces();
const traceView = new TraceView();
const tripView = new TripView();
const plansView = new PlansView();
const jobView = new JobView();
const jobsView = new JobsView();
const compareView = new CompareView();
const settingsView = new SettingsView();
/** Those that open something by its id, and whether they need one. */
const OPENED = { trace: [traceView, true], trip: [tripView, true], compare: [compareView, true], job: [jobView, false], jobs: [jobsView, false], settings: [settingsView, false], plans: [plansView, false] };
const journal = new Journal();
const footSwitch = new FootSwitch(() => (link.live ? view : null), trips);
byId("part-channels").append(el("div", { class: "tools" },
  el("a", { class: "like-button", href: "#plans", testid: "plans" }, "Power plans …"),
  el("a", { id: "all-benches", class: "like-button", href: "/benches", hidden: true }, "All benches"),
  button("Foot switch …", () => footSwitch.ask(), { testid: "foot-switch" })));
const followers = new Followers(byId("part-channels"));
let view = { plans: [] };

const keyOf = (supply, channel) => `${supply} ${channel}`;
const link = new Link(take, () => Promise.all([jobs.reload(), traces.reload(), journal.reload(), ...[...cards.values()].map((card) => card.reload())]));

function take(message) {
  if (message.type === "bench") takeBench(message);
  else if (message.type === "samples") cards.get(keyOf(message.supply, message.channel))?.add(message);
  else if (message.type === "event") takeEvent(message);
}

function takeBench(message) {
  view = message;
  setText(byId("bench-name"), view.bench);
  byId("all-benches").hidden = !view.followers?.mqtt; // they meet at the broker
  document.title = `${view.channels.some((one) => one.latched) ? "TRIPPED · " : ""}${view.bench}`;
  for (const channel of view.channels) {
    const key = keyOf(channel.supply, channel.channel);
    let card = cards.get(key);
    if (card === undefined) {
      card = new ChannelCard(channel, () => view);
      cards.set(key, card);
      byId("part-channels").append(card.node);
      card.reload();
    }
    card.update(channel);
  }
  for (const [key, card] of cards) {
    if (view.channels.some((one) => keyOf(one.supply, one.channel) === key)) continue;
    card.node.remove();
    card.plot.destroy();
    cards.delete(key);
  }
  trips.update(view);
  jobs.update(view);
  traces.update(view);
  journal.update(view);
  followers.update(view);
  tick();
}

function takeEvent({ kind }) {
  if (["trace", "trip"].includes(kind)) traces.reload();
  if (kind === "plan") plansView.reload();
  if (kind === "job") jobs.reload();
  if (["trace", "trip", "journal", "job", "output", "consent", "stage", "plan"].includes(kind)) renewJournal();
}

/** At once, and once more when it is quiet: who asked is written down only after what was asked has happened. */
const QUIET_MS = 700;
let renewing = null;
function renewJournal() {
  journal.reload();
  clearTimeout(renewing);
  renewing = setTimeout(() => journal.reload(), QUIET_MS);
}

/** The age of things goes on when nothing comes. */
function tick() {
  const state = link.live ? "live" : link.silence === null ? "wait" : "lost";
  setData(byId("link"), "state", state);
  setText(byId("link"), { live: "live", wait: "connecting", lost: `link lost ${age(link.silence)}` }[state]);
  setData(document.body, "link", state);
  for (const card of cards.values()) card.refresh(state === "live");
  trips.refresh(state === "live");
  warnings.update(view, state);
}
setInterval(tick, 500);

let drawnAt = 0;
function draw(now) {
  requestAnimationFrame(draw);
  if (now - drawnAt < DRAW_MS) return;
  drawnAt = now;
  for (const card of cards.values()) card.draw();
}
requestAnimationFrame(draw);

function route() {
  const [name, id] = location.hash.slice(1).split("/");
  const shown = name in VIEWS ? name : "bench";
  document.body.dataset.view = shown;
  for (const tab of document.querySelectorAll(".tabs a")) {
    const here = tab.hash === `#${VIEWS[shown]}`;
    if (here) tab.setAttribute("aria-current", "page");
    else tab.removeAttribute("aria-current");
  }
  for (const [name, [opened, needsId]] of Object.entries(OPENED)) {
    if (shown === name && (id || !needsId)) opened.open(id ? decodeURIComponent(id) : null);
    else opened.close();
  }
  scrollTo(0, 0);
}
// What is scrolled to, or has the focus, must not come to lie under the head.
new ResizeObserver(([head]) => document.documentElement.style.setProperty("--head", `${Math.ceil(head.borderBoxSize[0].blockSize)}px`))
  .observe(document.querySelector(".head"));

addEventListener("hashchange", route);
route();
