// Where the probe was held: a name with two taps, a photo from the camera, and the lowest resistance on top.

import { messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { withUncertainty } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { jobApi } from "../jobs/jobapi.js";
import { refill } from "../jobs/refill.js";
import { shrunk } from "../jobs/shrink.js";
import { measureApi } from "./measureapi.js";
import { pointsOf, withPlace } from "./measurewords.js";

/** @import { Run } from "../shared/types.js" */

const STORE = "benchd-places";

/** Names of places that were used before in this browser. @returns {string[]} */
function places() {
  try {
    const kept = JSON.parse(localStorage.getItem(STORE) ?? "[]");
    return Array.isArray(kept) ? kept.filter((one) => typeof one === "string") : [];
  } catch {
    return [];
  }
}

export class Points {
  /** @param {Run} run */
  constructor(run) {
    this.id = run.id;
    this.job = run.job;
    this.key = "";
    this.fault = el("p", { class: "fault", role: "alert" });
    this.name = el("input", { id: "point-name", maxlength: 200, autocomplete: "off", testid: "point-name", on: { keydown: (/** @type {KeyboardEvent} */ event) => { if (event.key === "Enter") this.keep.click(); } } });
    this.keep = button("Keep this point", () => this.add(), { class: "go", "data-changes": true, testid: "point-keep" });
    this.camera = el("input", { type: "file", accept: "image/*", capture: "environment", class: "unseen", testid: "point-photo", on: { change: () => this.withPhoto() } });
    this.chips = el("div", { class: "run-places", role: "group", "aria-label": "Places used before" });
    this.table = el("div", {});
    this.node = el("section", { class: "run-points", "aria-label": "Points" },
      el("div", { class: "plan-field" }, el("label", { for: "point-name" }, "Where the probe is"), this.name), this.chips,
      el("div", { class: "run-tools" }, this.keep, this.job === null ? null : el("label", { class: "like-button", "data-changes": true }, "Keep it with a photo", this.camera)),
      this.fault, this.table);
    this.fillChips();
  }

  fillChips() {
    this.chips.replaceChildren(...places().map((place) => button(place, () => {
      this.name.value = place;
      this.keep.focus({ preventScroll: true });
    }, { class: "quiet" })));
  }

  /** @param {Pick<Run, "happened" | "job">} run */
  show(run) {
    const points = pointsOf(run.happened);
    const key = JSON.stringify(points);
    if (key === this.key) return;
    this.key = key;
    refill(this.table, pointTable(run));
  }

  /** @param {boolean} live */
  refresh(live) {
    this.keep.disabled = !live;
  }

  /** @param {string} [photo] */
  async add(photo = "") {
    const text = this.name.value.trim();
    await attempt(this.keep, this.fault, async () => {
      if (text === "") throw new Error("Name the place first: what the probe is on, for example C1204.");
      await measureApi.point(this.id, text, photo);
      try {
        localStorage.setItem(STORE, JSON.stringify(withPlace(places(), text)));
      } catch {
        // A browser that keeps nothing has no places to choose from: they are typed.
      }
      this.fillChips();
      this.name.value = "";
    });
  }

  async withPhoto() {
    const [file] = this.camera.files ?? [];
    const place = this.name.value.trim();
    if (!file || this.job === null) return;
    if (place === "") {
      setText(this.fault, "Name the place first, then take the photo.");
      this.camera.value = "";
      return;
    }
    setText(this.fault, "Sending the photo …");
    try {
      const photo = await jobApi.addPhoto(this.job, await shrunk(file), place, () => undefined);
      await this.add(String(photo.id));
    } catch (fault) {
      setText(this.fault, messageOf(fault));
    }
    this.camera.value = "";
  }
}

/** @param {Pick<Run, "happened" | "job">} run */
export function pointTable({ happened, job }) {
  const points = pointsOf(happened);
  if (points.length === 0) return el("p", { class: "soft" }, "No points yet.");
  return el("table", { class: "before-after run-table", testid: "points" },
    el("thead", {}, el("tr", {}, ...["Place", "Resistance", "Photo"].map((text) => el("th", { scope: "col" }, text)))),
    el("tbody", {}, ...points.map(({ text, ohm, u_ohm, photo }, n) => el("tr", { class: n === 0 && ohm !== null ? "changed" : null },
      el("td", {}, text), el("td", {}, ohm === null ? "no contact" : withUncertainty(ohm, u_ohm, "Ω"), n === 0 && ohm !== null ? " ▼ lowest" : ""),
      el("td", {}, photo && job ? el("a", { class: "reach", href: jobApi.photoAddress(job, photo), target: "_blank", rel: "noopener", "aria-label": `Photo: ${text}` }, "photo") : "–")))));
}
