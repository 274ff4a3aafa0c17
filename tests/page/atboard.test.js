// The voltage at the board.

import assert from "node:assert/strict";
import { test } from "node:test";

import { boardVolts } from "../../dashboards/web/bench/atboard.js";

test("what leads take is taken off, by Ohm's law", () => {
  assert.equal(boardVolts(4.0, 2.0, 0.05), "at the board 3.900 V: the leads take 100\u00a0mV");
});

test("nothing is said where nothing is known, or next to nothing is taken", () => {
  for (const [v, i, ohm] of [[null, 2, 0.05], [4, null, 0.05], [4, 2, null], [4, 0.05, 0.05]]) assert.equal(boardVolts(v, i, ohm), "");
});
