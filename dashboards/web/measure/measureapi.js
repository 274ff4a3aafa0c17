// Asking the bench about procedures, their runs, and leads.

import { ask, query } from "../shared/api.js";

/** @import { Leads, ProcedureCard, ProcedureChecked, Procedures, ProcedureView, RunBins, RunRow, RunView } from "../shared/types.js" */
/** @typedef {number | string | boolean | null} Value */
/** @typedef {{ role: string, supply: string, channel: number, plan: string | null }} SideChosen */
/** @typedef {{ sides: SideChosen[], parameters: Record<string, Value> }} Asked */

/** @param {string} id */
const runPath = (id) => `/runs/${encodeURIComponent(id)}`;
/** @param {string} name */
const cardPath = (name) => `/procedures/${encodeURIComponent(name)}`;
const by = "page";

export const measureApi = {
  /** @returns {Promise<Procedures>} */
  procedures: () => ask("GET", "/procedures"),
  /** @param {string} name @returns {Promise<ProcedureCard>} */
  procedure: (name) => ask("GET", cardPath(name)),
  /** What a run would set at most; switches nothing. @param {string} name @param {Asked} asked @returns {Promise<ProcedureChecked>} */
  check: (name, asked) => ask("POST", `${cardPath(name)}/check`, asked),
  /** @param {string} card @param {Asked} asked @param {boolean} accepted @returns {Promise<ProcedureView>} */
  begin: (card, asked, accepted) => ask("POST", "/runs", { card, ...asked, accept_cautions: accepted, by }),
  /** @param {{ job?: string | null, card?: string | null, limit?: number }} wanted @returns {Promise<RunRow[]>} */
  runs: async (wanted) => (await ask("GET", `/runs${query(wanted)}`)).runs,
  /** @param {string} id @returns {Promise<RunView>} */
  run: (id) => ask("GET", runPath(id)),
  /** @param {string} id @param {string} role @param {number} columns @returns {Promise<RunBins>} */
  bins: (id, role, columns) => ask("GET", `${runPath(id)}/bins${query({ role, columns })}`),
  /** @param {string} id @param {string} name @param {Value} value @returns {Promise<ProcedureView>} */
  answer: (id, name, value) => ask("POST", `${runPath(id)}/answer`, { name, value, by }),
  /** @param {string} id @param {string} text @param {string} photo @returns {Promise<ProcedureView>} */
  point: (id, text, photo = "") => ask("POST", `${runPath(id)}/point`, { text, photo, by }),
  /** @param {string} id @returns {Promise<ProcedureView>} */
  done: (id) => ask("POST", `${runPath(id)}/done`, { by }),
  /** @param {string} id @returns {Promise<RunView>} */
  stop: (id) => ask("POST", `${runPath(id)}/stop`, { by }),
  /** @param {string} id @param {boolean} accepted @returns {Promise<ProcedureView>} */
  resume: (id, accepted) => ask("POST", `${runPath(id)}/resume`, { accept_cautions: accepted, by }),
  /** @param {string} id @param {string} board @param {string} note @returns {Promise<RunView>} */
  reference: (id, board, note) => ask("POST", `${runPath(id)}/reference`, { board, note }),
  /** @returns {Promise<Leads>} */
  leads: () => ask("GET", "/leads"),
  /** @param {{ supply: string, channel: number, name: string, ohm: number, u_ohm: number, celsius: number | null }} leads @returns {Promise<Leads>} */
  typeLeads: (leads) => ask("POST", "/leads", leads),
  /** Which of several sets is on an output now. @param {string} supply @param {number} channel @param {string} name @returns {Promise<Leads>} */
  putOn: (supply, channel, name) => ask("POST", "/leads/in-use", { supply, channel, name }),
};
