// The files of the bench, edited here: supplies, plans, cards, checklists.

import { byId } from "../shared/dom.js";

export class SettingsView {
  constructor() {
    this.node = byId("part-settings");
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
