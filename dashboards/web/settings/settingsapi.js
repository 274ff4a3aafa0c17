// Asking the bench about its files.

import { ask, query } from "../shared/api.js";

/** @import { BenchForm, FileChange, FileChecked, FileRow, FileView, PlanView } from "../shared/types.js" */

/** @param {string} file @param {string} name */
const path = (file, name) => `/settings/files/${encodeURIComponent(file)}/${encodeURIComponent(name)}`;

export const settings = {
  /** @returns {Promise<FileRow[]>} */
  files: async () => (await ask("GET", "/settings/files")).files,
  /** @param {string} file @param {string} name @returns {Promise<FileView>} */
  file: (file, name) => ask("GET", path(file, name)),
  /** @param {string} file @param {string} name @param {string} text @returns {Promise<FileChecked>} */
  check: (file, name, text) => ask("PUT", `${path(file, name)}?check=true`, { text }),
  /** @param {string} file @param {string} name @param {string} text @param {string} seen @returns {Promise<FileChecked>} */
  save: (file, name, text, seen) => ask("PUT", path(file, name), { text, seen }),
  /** @param {string} file @param {string} name @param {string} seen */
  remove: (file, name, seen) => ask("DELETE", path(file, name) + query({ seen })),
  /** @returns {Promise<BenchForm>} */
  form: () => ask("GET", "/settings/bench"),
  /** @param {Record<string, any>} values @returns {Promise<FileChecked>} */
  checkForm: (values) => ask("PUT", "/settings/bench?check=true", { values }),
  /** @param {Record<string, any>} values @param {string} seen @returns {Promise<FileChecked>} */
  saveForm: (values, seen) => ask("PUT", "/settings/bench", { values, seen }),
  /** @param {string} name @param {Record<string, any>} values @param {string} [seen] @returns {Promise<PlanView>} */
  savePlan: (name, values, seen) => ask("PUT", `/plans/${encodeURIComponent(name)}${query({ seen })}`, values),
  /** @param {string} name @param {string} seen */
  deletePlan: (name, seen) => ask("DELETE", `/plans/${encodeURIComponent(name)}${query({ seen })}`),
  /** @param {{ file?: string, name?: string, limit?: number }} of @returns {Promise<FileChange[]>} */
  changes: async (of = {}) => (await ask("GET", `/settings/changes${query(of)}`)).changes,
};
