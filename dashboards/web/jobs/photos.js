// Photos of a job: from the phone's camera or from files, as small pictures; one tap shows one large.

import { messageOf } from "../shared/api.js";
import { el, setText } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { closeSheet, showSheet } from "../shared/sheet.js";
import { jobApi } from "./jobapi.js";
import { refill } from "./refill.js";
import { shrunk } from "./shrink.js";
import { sureButton } from "./sure.js";

/** @import { Photo } from "../shared/types.js" */

export class Photos {
  constructor() {
    this.job = "";
    this.list = el("ul", { class: "photo-list" });
    this.sending = el("ul", { class: "rows", "aria-live": "polite" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.caption = el("input", { id: "photo-caption", maxlength: 200, autocomplete: "off", placeholder: "What it shows (may be empty)", "aria-label": "What the photo shows", testid: "photo-caption" });
    const picker = (/** @type {string} */ text, /** @type {string} */ testid, /** @type {Record<string, any>} */ props) => el("label", { class: "like-button" }, text,
      el("input", { type: "file", accept: "image/*", class: "unseen", testid, on: { change: (event) => this.take(event.target) }, ...props }));
    this.node = el("section", { class: "job-part", "aria-label": "Photos", testid: "photos" }, el("h3", {}, "Photos"),
      el("div", { class: "photo-new", "data-changes": true }, this.caption,
        picker("Take a photo", "photo-take", { capture: "environment" }), picker("From files", "photo-files", { multiple: true })),
      this.sending, this.fault, this.list);
  }

  /** @param {string} job */
  async show(job) {
    if (job !== this.job) refill(this.list);
    this.job = job;
    try {
      const photos = await jobApi.photos(job);
      if (job === this.job) refill(this.list, ...photos.map((one) => this.small(one)));
    } catch (fault) {
      if (job === this.job) refill(this.list, el("li", { class: "fault" }, messageOf(fault)));
    }
  }

  /** @param {Photo} photo */
  small(photo) {
    const words = photo.caption || `Photo of ${clock(photo.t_ns)}`;
    const open = el("button", { type: "button", class: "photo", "data-key": `photo-${photo.id}`, testid: "photo", on: { click: () => this.large(photo, words) } },
      el("img", { src: jobApi.photoAddress(this.job, photo.id, true), alt: photo.caption ? "" : words, loading: "lazy" }), photo.caption ? el("span", {}, photo.caption) : null);
    return el("li", {}, open);
  }

  /** @param {Photo} photo @param {string} words */
  large(photo, words) {
    const fault = el("p", { class: "fault", role: "alert" });
    const job = this.job;
    const remove = sureButton("Remove this photo", "Really remove it for good?", async () => {
      try {
        await jobApi.removePhoto(job, photo.id);
        closeSheet();
        await this.show(job);
      } catch (thrown) {
        setText(fault, messageOf(thrown));
      }
    }, { class: "quiet", "data-changes": true, testid: "photo-remove" });
    showSheet(words, el("div", { class: "sheet-body" },
      el("img", { class: "photo-large", src: jobApi.photoAddress(job, photo.id), alt: words }),
      el("p", { class: "soft" }, `${clock(photo.t_ns)} · ${photo.width} × ${photo.height}`), remove, fault), "photo-sheet");
  }

  /** @param {HTMLInputElement} input */
  async take(input) {
    const files = [...(input.files ?? [])];
    const caption = this.caption.value.trim();
    input.value = "";
    setText(this.fault, "");
    const job = this.job;
    await Promise.all(files.map((file) => this.send(job, file, caption)));
    await this.show(job);
  }

  /** @param {string} job @param {File} file @param {string} caption */
  async send(job, file, caption) {
    const bar = el("progress", { max: 1, value: 0, "aria-label": `Sending ${file.name}` });
    const row = el("li", { class: "sending", testid: "sending" }, el("span", {}, `Making ${file.name} smaller …`), bar);
    this.sending.append(row);
    try {
      const image = await shrunk(file);
      setText(/** @type {Node} */ (row.firstChild), `Sending ${file.name} …`);
      await jobApi.addPhoto(job, image, caption, (share) => { bar.value = share; });
      if (this.caption.value.trim() === caption) this.caption.value = "";
    } catch (fault) {
      this.fault.append(el("span", { class: "block" }, messageOf(fault)));
    } finally {
      row.remove();
    }
  }
}
