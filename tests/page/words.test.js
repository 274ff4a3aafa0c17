import assert from "node:assert/strict";
import { test } from "node:test";

import { caller } from "../../dashboards/web/shared/words.js";

test("who asked is said with the face, and with the name of who has signed in", () => {
  assert.deepEqual(["page", "a tablet, page", "one, and another, foot-switch", "other", "a tablet, other", "", null].map(caller),
    ["on the page", "by a tablet, on the page", "by one, and another, by foot switch", "", "by a tablet", "", ""]);
});
