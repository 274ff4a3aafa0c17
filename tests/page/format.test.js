import assert from "node:assert/strict";
import { test } from "node:test";

import { percent } from "../../dashboards/web/shared/format.js";

test("a share is shown in whole percents", () => {
  assert.equal(percent(0.824), "82 %");
});
