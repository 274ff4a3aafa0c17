// Big numbers: the whole screen for what is read from two metres away. The cut-off stays.

import { button, byId } from "../shared/dom.js";

export class BigNumbers {
  constructor() {
    this.back = button("Back to the whole page", () => this.off(), { class: "big-back", testid: "big-back" });
    addEventListener("hashchange", () => location.hash !== "#bench" && this.off());
    addEventListener("keydown", (event) => event.key === "Escape" && this.off());
  }

  on() {
    location.hash = "#bench";
    document.body.dataset.big = "true";
    const part = byId("part-channels");
    const cards = part.querySelectorAll(".card").length;
    part.style.setProperty("--rows", String(innerWidth < innerHeight ? cards : Math.ceil(cards / 2)));
    part.append(this.back);
    scrollTo(0, 0);
    this.back.focus({ preventScroll: true });
    // A browser that does not want to has the page in its window all the same.
    document.documentElement.requestFullscreen?.().catch(() => {});
  }

  off() {
    if (document.body.dataset.big !== "true") return;
    delete document.body.dataset.big;
    this.back.remove();
    if (document.fullscreenElement) document.exitFullscreen().catch(() => {});
  }
}
