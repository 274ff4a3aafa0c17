import assert from "node:assert/strict";
import { test } from "node:test";

import { Feed } from "../../dashboards/web/bench/feed.js";

const START_NS = 1_700_000_000_000_000_000;

/** @param {number} t0_ns @param {number[]} i @param {number} [step_ms] @returns {import("../../dashboards/web/bench/feed.js").SamplesMessage} */
const message = (t0_ns, i, step_ms = 1) => ({ type: "samples", supply: "lab", channel: 1, t0_ns, t_ms: i.map((_, n) => n * step_ms), v: i.map(() => 4), i });

test("two minutes at a thousand readings a second are thinned, and not one spike is lost", () => {
  const feed = new Feed();
  const spikes = [1234, 60_001, 119_000];
  for (let second = 0; second < 120; second++) {
    const block = Array.from({ length: 1000 }, (_, n) => (spikes.includes(second * 1000 + n) ? 1.5 + second / 1000 : 0.1));
    feed.add(message(START_NS + second * 1e9, block));
  }
  const [t, , i] = feed.last(120, 400);
  assert.ok(t.length <= 4 * 401, `${t.length} points for 400 columns`);
  assert.ok(t.every((time, n) => n === 0 || time > t[n - 1]), "times ascend");
  assert.deepEqual(i.filter((value) => value !== null && value > 1), spikes.map((at) => 1.5 + Math.floor(at / 1000) / 1000));
});

test("what is drawn of a moment stays the same while the picture moves along", () => {
  const feed = new Feed();
  const noisy = (/** @type {number} */ n) => 0.1 + ((n * 7919) % 97) / 1000;
  feed.add(message(START_NS, Array.from({ length: 20_000 }, (_, n) => noisy(n))));
  const before = feed.last(10, 100);
  feed.add(message(START_NS + 20e9, Array.from({ length: 37 }, (_, n) => noisy(n))));
  const after = feed.last(10, 100);
  const [from, to] = [before[0][20], before[0][before[0].length - 10]];
  const within = (/** @type {[number[], unknown[], unknown[]]} */ [t, , i]) => t.map((time, n) => [time, i[n]]).filter(([time]) => Number(time) >= from && Number(time) <= to);
  assert.deepEqual(within(after), within(before));
});

test("a pause is a gap, a null stays one, and what comes twice counts once", () => {
  const feed = new Feed();
  feed.add(message(START_NS, [0.1, 0.2], 10));
  feed.add(message(START_NS, [0.9, 0.9, 0.3], 10));
  feed.add(message(START_NS + 10e9, [0.4]));
  assert.deepEqual(feed.last(60, 400)[2], [0.1, 0.2, 0.3, null, 0.4]);
  feed.prepend({ t0_ns: START_NS - 1e9, t_s: [0, 0.5, 1.005], v: [4, 4, 4], i: [0.01, 0.02, 0.5], readings: 3, thinned: false });
  assert.deepEqual(feed.last(60, 400)[2].slice(0, 4), [0.01, 0.02, 0.1, 0.2]);
});

test("what is older than two minutes goes", () => {
  const feed = new Feed();
  for (let second = 0; second < 200; second++) feed.add(message(START_NS + second * 1e9, Array.from({ length: 10 }, () => 0.1), 100));
  assert.ok(feed.t.length < 1800);
  assert.ok((feed.end ?? 0) - feed.t[0] >= 120);
});
