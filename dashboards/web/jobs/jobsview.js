// All jobs: search, states, intake.

import { byId } from "../shared/dom.js";

export class JobsView {
  constructor() {
    this.node = byId("part-jobs");
  }

  /** @param {string | null} id */
  open(id) {
    this.node.hidden = false;
    void id;
  }

  close() {
    this.node.hidden = true;
  }
}
