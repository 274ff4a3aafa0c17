// Asking the bench about jobs: intake, states, photos, steps, checklists.

import { ask, BASE, Fault, query } from "../shared/api.js";

/** @import { Checklists, ListState, Job, JobChoices, JournalEntry, LabelRead, Photo, StepKinds, Timeline } from "../shared/types.js" */

/** @param {string} id */
const jobPath = (id) => `/jobs/${encodeURIComponent(id)}`;

export const jobApi = {
  /**
   * Jobs to which all that is given applies, newest first.
   * @param {{ text?: string | null, state?: string | null, board?: string | null, limit?: number }} wanted
   * @returns {Promise<Job[]>}
   */
  find: async (wanted) => (await ask("GET", `/jobs${query(wanted)}`)).jobs,
  /** @param {string} id @returns {Promise<Job>} */
  get: (id) => ask("GET", jobPath(id)),
  /** Take a device in; without an id the bench makes one. @param {Record<string, unknown>} values @returns {Promise<Job>} */
  create: (values) => ask("POST", "/jobs", values),
  /** @param {string} id @param {Record<string, unknown>} values @param {number} seen @returns {Promise<Job>} */
  change: (id, values, seen) => ask("PATCH", jobPath(id), { ...values, seen }),
  /** @param {string} id @param {string} state @param {number} seen @returns {Promise<Job>} */
  setState: (id, state, seen) => ask("PUT", `${jobPath(id)}/state`, { state, seen }),
  /** Whose label was scanned. @param {string} text @returns {Promise<LabelRead>} */
  byLabel: (text) => ask("GET", `/jobs/by-label${query({ text })}`),
  /** What intake can choose from, and the id that would be made. @returns {Promise<JobChoices>} */
  choices: () => ask("GET", "/jobs/choices"),
  /** @param {string} id */
  labelAddress: (id) => `${BASE}${jobPath(id)}/label.svg`,
  /** What a report can be written in. @returns {Promise<{ id: string, name: string }[]>} */
  languages: async () => (await ask("GET", "/reports")).languages,
  /** @param {string} id @param {{ for?: string, language?: string }} [how] */
  reportAddress: (id, how = {}) => `${BASE}${jobPath(id)}/report${query(how)}`,
  /** @param {string} id @param {{ for?: string, language?: string }} [how] */
  reportFileAddress: (id, how = {}) => `${BASE}${jobPath(id)}/report.pdf${query(how)}`,

  /** @param {string} id @returns {Promise<Photo[]>} */
  photos: async (id) => (await ask("GET", `${jobPath(id)}/photos`)).photos,
  /** @param {string} id @param {string | number} photo @param {boolean} [small] */
  photoAddress: (id, photo, small = false) => `${BASE}${jobPath(id)}/photos/${photo}${small ? "/thumbnail" : ""}`,
  /** @param {string} id @param {string | number} photo */
  removePhoto: (id, photo) => ask("DELETE", `${jobPath(id)}/photos/${photo}`),
  addPhoto,

  /** @returns {Promise<StepKinds>} */
  kinds: () => ask("GET", "/steps"),
  /** @param {string} id @param {Record<string, unknown>} step @returns {Promise<JournalEntry>} */
  addStep: (id, step) => ask("POST", `${jobPath(id)}/steps`, step),
  /** @param {string} id @param {number} seq @returns {Promise<JournalEntry>} */
  takeBack: (id, seq) => ask("POST", `${jobPath(id)}/steps/${seq}/take-back`, {}),
  /** @param {string} id @param {number} limit @returns {Promise<Timeline>} */
  timeline: (id, limit) => ask("GET", `${jobPath(id)}/timeline${query({ limit })}`),
  /** @param {string} id @returns {Promise<Checklists>} */
  checklists: (id) => ask("GET", `${jobPath(id)}/checklists`),
  /**
   * @param {string} id
   * @param {string} list
   * @param {string} item
   * @param {{ state: string, note?: string, seen?: number }} tick
   * @returns {Promise<ListState>}
   */
  tick: (id, list, item, tick) => ask("PUT", `${jobPath(id)}/checklists/${encodeURIComponent(list)}/${encodeURIComponent(item)}`, tick),
};

/** A photo through a workshop's wireless network. */
const PHOTO_PATIENCE_MS = 120_000;

/**
 * Send a photo; `onShare(share)` hears how much of it has gone, 0 to 1, which fetch cannot tell.
 * @param {string} id
 * @param {Blob} image
 * @param {string} caption
 * @param {(share: number) => void} onShare
 * @returns {Promise<Photo>}
 */
function addPhoto(id, image, caption, onShare) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", `${BASE}${jobPath(id)}/photos${query({ caption: caption || null })}`);
    request.setRequestHeader("Content-Type", image.type || "application/octet-stream");
    request.responseType = "json";
    request.timeout = PHOTO_PATIENCE_MS;
    request.upload.onprogress = (event) => event.lengthComputable && onShare(event.loaded / event.total);
    const lost = () => reject(new Fault("The photo did not reach the bench. Check the network, then try again."));
    request.onerror = lost;
    request.ontimeout = lost;
    request.onload = () => {
      const data = request.response;
      if (request.status < 300 && data !== null) resolve(data);
      else reject(new Fault(data?.error?.message ?? `The bench answered ${request.status} to the photo without saying why.`, data?.error?.code));
    };
    request.send(image);
  });
}
