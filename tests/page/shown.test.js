// What is typed to come in: a token or a code, and where it leads.

import assert from "node:assert/strict";
import test from "node:test";

import { fromHash, lasting, shown } from "../../dashboards/web/access/shown.js";

test("a code is known by its form, however it is typed", () => {
  for (const text of ["ABCDE-FGHJK", "abcde fghjk", " ABCDEFGHJK ", "abcde-fghjk\n"]) assert.deepEqual(shown(text), { code: "ABCDEFGHJK" });
});

test("everything else is a token, as it stands", () => {
  for (const text of ["benchd_aB-c_9", "ABCDE-FGH1K", "ABCDE-FGHOK", "ABCDEFGHJKL", ""]) assert.deepEqual(shown(` ${text} `), { token: text });
});

test("the address gives a code and a part of this page, and never another place", () => {
  assert.deepEqual(fromHash("#code=ABCDE-FGHJK&back=job/R-1"), { code: "ABCDE-FGHJK", back: "job/R-1" });
  for (const back of ["traces", "/benches"]) assert.deepEqual(fromHash(`#back=${back}`), { code: "", back });
  for (const back of ["//evil.example", "/benches/x", "https://evil.example", "/x", "job/../x", "javascript:1"]) {
    assert.equal(fromHash(`#back=${encodeURIComponent(back)}`).back, "", back);
  }
});

test("how long it lasts, in the largest unit that says it", () => {
  assert.deepEqual([1, 300, 5400, 86400, 2592000].map(lasting), ["1 min", "5 min", "2 h", "24 h", "30 days"]);
});
