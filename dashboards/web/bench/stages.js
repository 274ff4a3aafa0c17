// The stages of a power-up on the card of its output: where it is, what they have shown, and what goes on by hand.

import { api } from "../shared/api.js";
import { button, el, setData, setText } from "../shared/dom.js";
import { withUncertainty, withUnit } from "../shared/format.js";
import { stage } from "../shared/words.js";

/** @import { ChannelView } from "../shared/types.js" */
/** What a stage has shown, as the bench tells it. @typedef {Record<string, any>} Shown */

const ORDER = ["probe", "hold", "boot"];

export class Stages {
  /**
   * @param {(node: HTMLButtonElement, action: () => unknown) => unknown} act runs what a button asks for
   * @param {(name: string) => Record<string, any> | undefined} planOf the plan's keys
   */
  constructor(act, planOf) {
    this.planOf = planOf;
    /** @type {ChannelView | null} */
    this.view = null;
    this.when = "";
    this.steps = new Map(ORDER.map((id) => [id, el("li", {}, stage(id)[0])]));
    this.strip = el("ol", { class: "stages", testid: "stages", "aria-label": "Stages of the power-up" }, ...this.steps.values());
    this.hands = el("p", { class: "hands", role: "status", testid: "stage-words" });
    this.next = button("Raise limit", () => act(this.next, () => this.view && api.next(this.view)), { class: "go", testid: "next", "data-changes": true });
    this.probe = el("p", { class: "result", testid: "probe" });
    this.leak = el("p", { class: "result", testid: "leak" });
    this.node = el("div", { class: "stage-box" }, this.strip, this.hands, this.next);
    this.results = el("div", { class: "results" }, this.probe, this.leak);
  }

  /**
   * @param {ChannelView} view
   * @param {string} shown the output's state as far as this page knows
   */
  refresh(view, shown) {
    this.view = view;
    const on = shown === "on" && Boolean(view.stage);
    const plan = this.planOf(view.plan) ?? {};
    /** @param {string} id */
    const there = (id) => id === "boot" || id === view.stage || Boolean(plan[id]);
    this.strip.hidden = !on || !(there("probe") || there("hold"));
    for (const [id, node] of this.steps) {
      node.hidden = !there(id);
      if (id === view.stage) node.setAttribute("aria-current", "step");
      else node.removeAttribute("aria-current");
    }
    const byHand = on && view.stage === "hold" && view.stage_by_hand;
    this.next.hidden = !byHand;
    setText(this.next, plan.limit_a ? `Raise limit to ${withUnit(plan.limit_a, "A")}` : "Raise limit");
    const goesOn = byHand ? " Then raise the limit." : view.stage === "hold" ? " The limit is raised by itself." : "";
    // Until the board draws like one that was started.
    const press = view.stage === "boot" && plan.hold?.by_hand && !["booting", "settled", "filed"].includes(view.capture);
    setText(this.hands, on ? stage(view.stage)[1] + goesOn + (press ? "The limit is raised: the button may be pressed now." : "") : "");
    this.when = shown === "on" ? "" : "Last power-up: ";
    this.tell(this.probe, view.probe, probeWords, (found) => found.passed);
    if (byHand && !view.leak && typeof plan.expected_leak_a === "number") {
      // The leak itself is told when the stage is over; whoever decides when that is sees the draw meanwhile.
      this.tell(this.leak, { current_a: view.current_a, expected_a: plan.expected_leak_a }, drawWords, leakFits);
    } else this.tell(this.leak, view.leak, leakWords, leakFits);
  }

  /**
   * @param {HTMLElement} node
   * @param {Shown | null} found
   * @param {(found: Shown) => string} words
   * @param {(found: Shown) => boolean} good
   */
  tell(node, found, words, good) {
    node.hidden = !found;
    if (!found) return;
    setText(node, this.when + words(found));
    setData(node, "good", String(good(found)));
    if (node.title !== (found.text ?? "")) node.title = found.text ?? "";
  }
}

/** @param {Shown} found */
function probeWords(found) {
  if (typeof found.resistance_ohm !== "number") return found.text;
  const rail = `Rail ${withUncertainty(found.resistance_ohm, found.uncertainty_ohm, "Ω")}`;
  if (!found.passed) return `${rail}: below ${withUnit(found.least_ohm, "Ω")}, a dead short. Nothing more was applied.`;
  return rail;
}

/** @param {Shown} found */
const leakFits = (found) => !found.in_limit && !(typeof found.expected_a === "number" && found.current_a > found.expected_a);

/** @param {Shown} found */
const drawWords = (found) => `Draws ${withUnit(found.current_a, "A")} now; a good board: up to ${withUnit(found.expected_a, "A")}`;

/** @param {Shown} found */
function leakWords(found) {
  const leak = `Leak ${withUncertainty(found.current_a, found.uncertainty_a, "A")}`;
  if (found.in_limit) return `${leak}, held back by the limit: it may be more`;
  if (typeof found.expected_a !== "number") return leak;
  const limit = withUnit(found.expected_a, "A");
  return leakFits(found) ? `${leak}, a good board: up to ${limit}` : `${leak}: MORE than a good board's ${limit}`;
}
