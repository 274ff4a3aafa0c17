// Asking the bench. Every failure becomes a Fault whose message is for the operator.

/** @import {
 *   BenchView, ChannelView, Columns, Comparison, JournalEntry, Nearest, PlanView, Reference,
 *   ReferenceAdded, RejectedRow, TraceRow, TripDetail, TripRow,
 * } from "./types.js" */

import { nowNs } from "./clock.js";

export const BASE = "/api/v1";
const PATIENCE_MS = 15000;
/** A photo through a workshop's wireless network. */
const LOAD_PATIENCE_MS = 120000;

/** What the bench refused, or that it did not answer. */
export class Fault extends Error {
  /**
   * @param {string} message
   * @param {string} [code] the bench's; undefined: it did not answer, or not as the bench does
   * @param {any} [present] with the code `stale`: what is there now
   * @param {string} [where] the part of what was asked that is at fault
   * @param {number} [status] of the answer
   */
  constructor(message, code, present, where, status) {
    super(message);
    this.code = code;
    this.present = present;
    this.where = where;
    this.status = status;
  }
}

/**
 * The message of whatever was thrown, for the operator.
 * @param {unknown} thrown
 */
export const messageOf = (thrown) => (thrown instanceof Error ? thrown.message : String(thrown));

/**
 * Ask, and get the answer's JSON. Throws Fault.
 * @param {"GET" | "POST" | "PUT" | "PATCH" | "DELETE"} method
 * @param {string} path below /api/v1
 * @param {unknown} [body] sent as JSON; a Blob as it is, with its type
 * @returns {Promise<any>}
 */
export async function ask(method, path, body) {
  const blob = body instanceof Blob;
  /** @type {RequestInit} */
  const options = { method, signal: AbortSignal.timeout(blob ? LOAD_PATIENCE_MS : PATIENCE_MS) };
  if (body !== undefined) {
    options.body = blob ? body : JSON.stringify(body);
    options.headers = { "Content-Type": blob ? body.type : "application/json" };
  }
  let response;
  try {
    response = await fetch(BASE + path, options);
  } catch {
    throw new Fault("The bench does not answer. Check the network and the bench's computer.");
  }
  const data = await response.json().catch(() => null);
  if (response.ok && data !== null) return data;
  const { message, code, present, where } = data?.error ?? {};
  const words = message ?? `The bench answered ${response.status} without saying why.`;
  throw new Fault(words, code, present, where, response.status);
}

/**
 * The end of an address; what is null or undefined is left out.
 * @param {Record<string, string | number | boolean | null | undefined>} values
 */
export function query(values) {
  const given = Object.entries(values).filter(([, value]) => value !== null && value !== undefined);
  return given.length ? `?${new URLSearchParams(given.map(([key, value]) => [key, String(value)]))}` : "";
}

/**
 * By which state something is asked, and when by the bench's clock: what would come late, or after a change that the
 * person did not see, is refused.
 * @param {ChannelView | null} seen
 */
const asSeen = (seen) => ({ ...(seen ? { seen: seen.version } : {}), asked_ns: nowNs() });
/** @param {string} supply @param {number} channel */
const channelPath = (supply, channel) => `/supplies/${encodeURIComponent(supply)}/channels/${channel}`;
/** @param {string} id */
const tracePath = (id) => `/traces/${encodeURIComponent(id)}`;

export const api = {
  /** @param {string} follower @returns {Promise<RejectedRow[]>} */
  rejected: async (follower) => (await ask("GET", `/followers/${encodeURIComponent(follower)}/rejected?limit=50`)).rejected,
  /** @returns {Promise<BenchView>} */
  allOff: () => ask("POST", "/off"),
  /** @param {string} supply @param {number} channel @returns {Promise<ChannelView>} */
  channelOff: (supply, channel) => ask("POST", `${channelPath(supply, channel)}/off`),
  /**
   * @param {ChannelView} seen the output as it is looked at
   * @param {string} plan
   * @param {{ voltage_v?: number, limit_a?: number }} less where they are to be below the plan's
   * @returns {Promise<ChannelView>}
   */
  powerOn: (seen, plan, less = {}) => ask("POST", `${channelPath(seen.supply, seen.channel)}/on`, { plan, ...less, by: "page", ...asSeen(seen) }),
  /** @param {ChannelView} seen @param {string} by @returns {Promise<ChannelView>} */
  next: (seen, by = "page") => ask("POST", `${channelPath(seen.supply, seen.channel)}/next`, { by, ...asSeen(seen) }),
  /** @param {string} supply @param {string} key @param {string} who @returns {Promise<BenchView>} */
  consent: (supply, key, who) => ask("POST", `/supplies/${encodeURIComponent(supply)}/consent`, { key, who }),
  /** @param {ChannelView} seen @param {string} by @returns {Promise<ChannelView>} */
  rearm: (seen, by = "page") => ask("POST", `${channelPath(seen.supply, seen.channel)}/rearm`, { by, ...asSeen(seen) }),
  /** @param {string} supply @param {number} channel @param {string} kind @returns {Promise<ChannelView>} */
  mark: (supply, channel, kind) => ask("POST", `${channelPath(supply, channel)}/mark`, { kind }),
  /** @param {string} supply @param {number} channel @param {number} seconds @param {number} points @returns {Promise<Columns>} */
  recent: (supply, channel, seconds, points) => ask("GET", `/recent${query({ supply, channel, seconds, points })}`),
  /** @param {string | null} job @returns {Promise<BenchView>} */
  chooseJob: (job) => ask("PUT", "/bench/job", { job }),
  /** @param {string | null} job @param {number} [limit] @returns {Promise<JournalEntry[]>} */
  journal: async (job, limit) => (await ask("GET", `/journal${query({ job, limit })}`)).entries,
  /** @param {string | null} job @param {string} text @returns {Promise<JournalEntry>} */
  note: (job, text) => ask("POST", "/journal", { job, text }),
  /** @param {string | null} job @param {number} [limit] @returns {Promise<TraceRow[]>} */
  traces: async (job, limit) => (await ask("GET", `/traces${query({ job, limit })}`)).traces,
  /** @param {string} id @returns {Promise<TraceRow>} */
  trace: (id) => ask("GET", tracePath(id)),
  /** @param {string} id @param {number} points @param {number} [from_s] @param {number} [to_s] @returns {Promise<Columns>} */
  samples: (id, points, from_s, to_s) => ask("GET", `${tracePath(id)}/samples${query({ points, from_s, to_s })}`),
  /** @param {string} [board] @returns {Promise<Reference[]>} */
  references: async (board) => (await ask("GET", `/references${query({ board })}`)).references,
  /** @param {string} trace @param {string} board @param {string} note @returns {Promise<ReferenceAdded>} */
  addReference: (trace, board, note) => ask("POST", "/references", { trace, board, note, by: "page" }),
  /** @param {string} trace @returns {Promise<Reference>} */
  removeReference: (trace) => ask("DELETE", `/references/${encodeURIComponent(trace)}${query({ by: "page" })}`),
  /** @param {string} id @param {string | null} [earlier] @returns {Promise<Comparison>} */
  compare: (id, earlier) => ask("GET", `${tracePath(id)}/compare${query({ with: earlier })}`),
  /** @param {string} id @param {number} count @returns {Promise<Nearest>} */
  nearest: (id, count) => ask("GET", `${tracePath(id)}/nearest${query({ count })}`),
  /** @returns {Promise<PlanView[]>} */
  plans: async () => (await ask("GET", "/plans")).plans,
  /** @param {string | null} job @param {number} [limit] @returns {Promise<TripRow[]>} */
  trips: async (job, limit) => (await ask("GET", `/trips${query({ job, limit })}`)).trips,
  /** @param {number | string} number @returns {Promise<TripDetail>} */
  trip: (number) => ask("GET", `/trips/${number}`),
};
