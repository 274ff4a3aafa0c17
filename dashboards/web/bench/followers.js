// The servers that the log goes to: how each stands, how far it is behind, and what its server would not take.

import { api, messageOf } from "../shared/api.js";
import { button, el, setData, setText } from "../shared/dom.js";
import { age, clock } from "../shared/format.js";

/** @import { BenchView } from "../shared/types.js" */

export class Followers {
  /** @param {HTMLElement} parent the part of the page at whose end it stands; it shows nothing where there are no servers */
  constructor(parent) {
    this.title = el("summary", {});
    /** @type {Map<string, Row>} */
    this.rows = new Map();
    this.parent = parent;
    this.list = el("div", { class: "servers" });
    this.node = el("details", { class: "health", testid: "followers", hidden: true }, this.title, this.list);
    parent.append(this.node);
  }

  /** @param {BenchView} view */
  update(view) {
    const told = Object.entries(view.followers ?? {});
    this.node.hidden = told.length === 0;
    // Cards of outputs are added as they come; this stays below them.
    if (this.node.nextSibling) this.parent.append(this.node);
    for (const [name, follower] of told) {
      let row = this.rows.get(name);
      if (row === undefined) {
        row = new Row(name);
        this.rows.set(name, row);
        this.list.append(row.node);
      }
      row.update(follower);
    }
    const waiting = told.filter(([, one]) => one.state !== "ok").map(([name]) => name);
    const refused = told.reduce((sum, [, one]) => sum + one.rejected, 0);
    const words = [waiting.length ? `${waiting.join(" and ")} ${waiting.length > 1 ? "wait" : "waits"}` : "all up to date"];
    if (waiting.length === 0 && told.some(([, one]) => one.lag_s > LATE_S)) words[0] = "catching up";
    if (refused) words.push(`${refused} refused`);
    setText(this.title, `Servers: ${words.join(", ")}`);
    setData(this.node, "state", waiting.length ? "waiting" : "ok");
  }
}

/** A batch waits a second for more; what is older than this is behind. */
const LATE_S = 10;
/** @type {Record<string, string>} */
const STATES = { ok: "connected", waiting: "waiting, nothing is lost", stopped: "not running" };

class Row {
  /** @param {string} name */
  constructor(name) {
    this.name = name;
    this.state = el("dd", {});
    this.behind = el("dd", {});
    this.refused = el("dd", {});
    this.text = el("p", { class: "soft" });
    this.show = button("Show what was refused", () => this.load(), { testid: `refused-${name}` });
    this.items = el("ol", { class: "refused" });
    this.node = el("div", { testid: `follower-${name}` }, el("h3", {}, name),
      el("dl", { class: "figures" }, el("dt", {}, "state"), this.state, el("dt", {}, "still to send"), this.behind,
        el("dt", {}, "refused for good"), this.refused),
      this.text, this.show, this.items);
  }

  /** @param {Record<string, any>} follower */
  update(follower) {
    setText(this.state, STATES[follower.state] ?? follower.state);
    const old = typeof follower.lag_s === "number" ? `, the oldest ${age(follower.lag_s)} old` : "";
    setText(this.behind, follower.backlog ? `${follower.backlog} ${follower.backlog > 1 ? "rows" : "row"} of the log${old}` : "nothing");
    setText(this.refused, String(follower.rejected));
    setText(this.text, follower.text);
    this.show.hidden = follower.rejected === 0;
  }

  async load() {
    let nodes;
    try {
      const rejected = await api.rejected(this.name);
      nodes = rejected.map((one) => el("li", {}, el("b", {}, one.reason), el("p", { class: "soft" }, `${clock(one.t_ns)}, ${one.follower}`), el("code", {}, one.item)));
    } catch (fault) {
      nodes = [el("li", { class: "fault" }, messageOf(fault))];
    }
    this.items.replaceChildren(...nodes);
  }
}
