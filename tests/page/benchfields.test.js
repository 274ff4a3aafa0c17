// The form of benchd.toml: from values to fields and back, and nothing that has no field is lost.

import assert from "node:assert/strict";
import test from "node:test";

import { CHANNEL, newChannel, newSupply, placedFaults, places, shownOf, valuesOf } from "../../dashboards/web/settings/benchfields.js";

const VALUES = {
  bench: "north",
  later: 7,
  guard: { rearm_pause_s: 3 },
  web: { names: ["a.example", "b"], token: [{ name: "tablet" }] },
  supply: [{ name: "psu", resource: "x", profile: "p", array_readback: false, channel: [{ number: 2, max_voltage_v: 5, of_mine: 1 }] }],
};
const shown = () => new Map(places(VALUES).map(({ at, path, field }) => [at, shownOf(field, path.reduce((v, k) => v?.[k], /** @type {any} */ (VALUES)))]));

test("what is shown comes back as it was, with all that has no field", () => {
  assert.deepEqual(valuesOf(VALUES, shown()), { values: VALUES, faults: {} });
});

test("a field that is emptied leaves its key out, and a number may have a comma", () => {
  const typed = shown();
  typed.set("guard.rearm_pause_s", " ");
  typed.set("supply[0].channel[0].max_voltage_v", "4,2");
  typed.set("log.thin_when_full", true);
  typed.set("web.names", "a.example,, c ");
  const { values, faults } = valuesOf(VALUES, typed);
  assert.deepEqual(faults, {});
  assert.deepEqual(values.guard, {});
  assert.equal(values.supply[0].channel[0].max_voltage_v, 4.2);
  assert.deepEqual(values.log, { thin_when_full: true });
  assert.deepEqual(values.web.names, ["a.example", "c"]);
  assert.equal(VALUES.guard.rearm_pause_s, 3, "what was read is left alone");
});

test("what is no number is told at its field, and keys come as they are named in faults", () => {
  const typed = shown();
  typed.set("supply[0].channel[0].max_limit_a", "much");
  assert.match(valuesOf(VALUES, typed).faults["supply[0].channel[0].max_limit_a"], /much: not a number/);
  const told = [{ key: "guard.rearm_pause_s", text: "one", line: 3 }, { key: "guard.rearm_pause_s", text: "two", line: 3 }, { key: "plan[0]", text: "three", line: null }];
  assert.deepEqual(placedFaults(told, typed.keys()), { placed: { "guard.rearm_pause_s": "one two" }, rest: ["three"] });
});

test("tables that may be left out have fields only where they are there", () => {
  assert.ok(!places(VALUES).some(({ table }) => table === "mqtt"));
  const all = places({ ...VALUES, mqtt: {} });
  assert.ok(all.some(({ at }) => at === "mqtt.password"));
  assert.equal(all.filter(({ table }) => table === "channel").length, CHANNEL.length);
});

test("a new supply has a free name and one output, a new output the next number", () => {
  const made = newSupply({ supply: [{ name: "supply-1" }] }, ["mine"]);
  assert.equal(made.name, "supply-2");
  assert.deepEqual(made.channel, [{ number: 1, plan: "mine" }]);
  assert.deepEqual(newChannel([{ number: 3, plan: "x" }], []), { number: 4, plan: "x" });
});
