import assert from "node:assert/strict";
import { test } from "node:test";

import { BenchClock } from "../../dashboards/web/shared/clock.js";
import { nextSteps } from "../../dashboards/web/shared/nextsteps.js";

const BENCH_MS = 1_700_000_000_000;

test("the bench's clock is known by the message that came with the least delay", () => {
  const clock = new BenchClock();
  assert.equal(clock.now(5), null);
  for (const [sent, delay] of [[0, 80], [1000, 12], [2000, 300], [3000, 45]]) clock.heard((BENCH_MS + sent) * 1e6, 500 + sent + delay);
  assert.equal(clock.now(500 + 4012), BENCH_MS + 4000);
});

test("a step of the bench's clock is followed at once", () => {
  const clock = new BenchClock();
  for (let n = 0; n < 30; n++) clock.heard((BENCH_MS + n * 1000) * 1e6, n * 1000);
  clock.heard((BENCH_MS - 3_600_000 + 30_000) * 1e6, 30_000);
  assert.equal(clock.now(31_000), BENCH_MS - 3_600_000 + 31_000);
});

test("every rule has its steps, and a rule that is not known, too", () => {
  const rules = ["short", "over-current", "over-voltage", "reverse", "budget", "stale", "instrument", "panel"];
  const steps = rules.map((rule) => nextSteps({ rule, stage: "boot" }).join());
  assert.equal(new Set([...steps, nextSteps({ rule: "new" }).join(), nextSteps({ rule: "short", stage: "probe" }).join()]).size, rules.length + 2);
});
