// All benches on one page: messages to cards, and who needs somebody first, at the top.

/** @import { BenchSeen, BenchesView } from "../shared/types.js" */

import { BenchCard } from "./benchcard.js";
import { byId, el, setData, setText } from "../shared/dom.js";
import { age } from "../shared/format.js";
import { Link } from "../shared/link.js";
import { rule } from "../shared/words.js";

/** @type {Map<string, BenchCard>} */
const cards = new Map();
/** @type {BenchesView | null} */
let view = null;
let seenAt = 0;
const link = new Link(take, () => {}, "/api/v1/benches/live");

/** @param {BenchesView & { type: string }} message */
function take(message) {
  if (message.type !== "benches") return;
  view = message;
  seenAt = performance.now();
  const there = new Set(message.benches.map((one) => one.bench));
  for (const [name, card] of cards) {
    if (there.has(name)) continue;
    card.node.remove();
    cards.delete(name);
  }
  // They come by name, and stay at their place: an eye that knows where a bench stands finds it.
  message.benches.forEach((one, place) => {
    let card = cards.get(one.bench);
    if (card === undefined) {
      card = new BenchCard();
      cards.set(one.bench, card);
      byId("benches").insertBefore(card.node, byId("benches").children[place] ?? null);
    }
    card.update(one);
  });
  tick();
}

function tick() {
  const state = link.live ? "live" : link.silence === null ? "wait" : "lost";
  // The link to the page's own server is no use while that one hears no broker.
  const deaf = state === "live" && view !== null && !view.heard;
  setData(document.body, "link", state);
  setData(byId("link"), "state", deaf ? "lost" : state);
  setText(byId("link"), deaf ? "not heard" : { live: "live", wait: "connecting", lost: `link lost ${age(link.silence)}` }[state]);
  if (view === null) return;
  const elapsed = (performance.now() - seenAt) / 1000;
  for (const card of cards.values()) card.refresh(state === "live", elapsed);
  missing(state, view);
  tally(state === "live", view.benches, view.heard);
  tripped(view.benches);
}
setInterval(tick, 500);

/**
 * What is wrong with the listening itself.
 * @param {string} state
 * @param {BenchesView} view
 */
function missing(state, view) {
  const text = state === "lost" ? "This page hears nothing. No output is known." : !view.heard ? `The benches are not heard: ${view.text}` : view.text;
  setText(byId("missing"), text);
  byId("missing").hidden = !text;
}

/** @param {number} count @param {string} one @param {string} more */
const many = (count, one, more) => `${count} ${count === 1 ? one : more}`;

/** @param {boolean} live @param {BenchSeen[]} benches @param {boolean} heard */
function tally(live, benches, heard) {
  const outputs = benches.flatMap((bench) => bench.outputs);
  /** @param {string} word */
  const of = (word) => outputs.filter((one) => (live ? one.output : "unknown") === word).length;
  const away = benches.filter((bench) => bench.standing === "away").length;
  const lines = [
    ["", benches.length || heard ? many(benches.length, "bench", "benches") : "benches not known"],
    ["on", of("on") ? `${of("on")} on` : ""],
    ["off", of("off") ? `${of("off")} off` : ""],
    ["unknown", of("unknown") ? `${of("unknown")} not known` : ""],
    ["away", away ? `${away} away` : ""],
  ].filter(([, text]) => text);
  const shown = JSON.stringify(lines);
  if (byId("tally").dataset.shown === shown) return;
  byId("tally").dataset.shown = shown;
  byId("tally").replaceChildren(...lines.map(([kind, text]) => el("li", { "data-kind": kind }, text)));
}

/** @param {BenchSeen[]} benches */
function tripped(benches) {
  const lines = benches.flatMap((bench) => bench.outputs.filter((one) => one.latched)
    .map((one) => [bench.bench, `${bench.bench}: ${rule(one.trip?.rule) || "tripped"}`]));
  const shown = JSON.stringify(lines);
  if (byId("tripped").dataset.shown === shown) return;
  byId("tripped").dataset.shown = shown;
  byId("tripped").replaceChildren(...lines.map(([bench, text]) => el("a", { href: `#${bench}` }, text)));
  document.title = lines.length ? `TRIPPED ${lines.map(([bench]) => bench).join(", ")}` : "All benches";
}
