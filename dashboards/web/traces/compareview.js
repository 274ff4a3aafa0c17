// Several power-ups over each other.

import { byId } from "../shared/dom.js";

export class CompareView {
  constructor() {
    this.node = byId("part-compare");
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
