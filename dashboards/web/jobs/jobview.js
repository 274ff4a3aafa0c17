// One job: what it is about, its timeline, steps, checklists, photos. Without an id: the job on the bench.

import { byId } from "../shared/dom.js";

export class JobView {
  constructor() {
    this.node = byId("part-job");
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
