// Where the probe was held: a name with two taps, a photo from the camera, and the lowest resistance on top.

import { messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { clock, withUncertainty } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { jobApi } from "../jobs/jobapi.js";
import { refill } from "../jobs/refill.js";
import { shrunk } from "../jobs/shrink.js";
import { measureApi } from "./measureapi.js";
import { pointsOf, probes, withPlace } from "./measurewords.js";

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
    this.keep = button("", () => this.add(), { class: "go", "data-changes": true, testid: "point-keep" });
    this.camera = el("input", { type: "file", accept: "image/*", capture: "environment", class: "unseen", testid: "point-photo", on: { change: () => this.withPhoto() } });
    this.label = el("label", { for: "point-name" });
    this.photo = el("span", {});
    this.probing = false;
    this.chips = el("div", { class: "run-places", "data-changes": true, role: "group", "aria-label": "Places used before" });
    this.table = el("div", {});
    this.node = el("section", { class: "run-points", "aria-label": "Points" },
      el("div", { class: "plan-field", "data-changes": true }, this.label, this.name), this.chips,
      el("div", { class: "run-tools" }, this.keep, this.job === null ? null : el("label", { class: "like-button", "data-changes": true }, this.photo, this.camera)),
      this.fault, this.table);
    this.words();
  }

  /** Whether the points are places on a shorted rail; else they are remarks. @param {boolean} probing */
  probe(probing) {
    if (probing === this.probing) return;
    this.probing = probing;
    this.words();
  }

  words() {
    setText(this.label, this.probing ? "Where the probe is" : "Remark");
    setText(this.keep, this.probing ? "Keep this point" : "Write it down");
    setText(this.photo, this.probing ? "Keep it with a photo" : "With a photo");
    this.node.setAttribute("aria-label", this.probing ? "Points" : "Remarks");
    this.fillChips();
  }

  fillChips() {
    this.chips.hidden = !this.probing;
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
      if (text === "") throw new Error(this.probing ? "Name the place first: what the probe is on, for example C1204." : "Write the remark first.");
      await measureApi.point(this.id, text, photo);
      if (this.probing) try {
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
      setText(this.fault, `${this.probing ? "Name the place" : "Write the remark"} first, then take the photo.`);
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
  const said = happened.filter(({ kind }) => kind === "point");
  if (said.length === 0) return el("p", { class: "soft" }, "None yet.");
  const places = said.some(({ values }) => probes(values));
  const points = places ? pointsOf(happened) : pointsOf(happened).sort((a, b) => a.t_ns - b.t_ns);
  const figure = (/** @type {import("./measurewords.js").Point} */ { ohm, u_ohm, t_ns }, /** @type {number} */ n) => (places ? `${ohm === null ? "no contact" : withUncertainty(ohm, u_ohm, "Ω")}${n === 0 && ohm !== null ? " ▼ lowest" : ""}` : clock(t_ns));
  return el("table", { class: "before-after run-table", testid: "points" },
    el("thead", {}, el("tr", {}, ...(places ? ["Place", "Resistance", "Photo"] : ["Remark", "When", "Photo"]).map((text) => el("th", { scope: "col" }, text)))),
    el("tbody", {}, ...points.map((point, n) => el("tr", { class: places && n === 0 && point.ohm !== null ? "changed" : null },
      el("td", {}, point.text), el("td", {}, figure(point, n)),
      el("td", {}, point.photo && job ? photoOf(job, point.photo, point.text) : "–")))));
}

/** Small, and a link to the whole. @param {string} job @param {string} photo @param {string} text */
const photoOf = (job, photo, text) => el("a", { class: "reach", href: jobApi.photoAddress(job, photo), target: "_blank", rel: "noopener" },
  el("img", { class: "run-photo", src: jobApi.photoAddress(job, photo, true), alt: `Photo: ${text}`, loading: "lazy" }));
