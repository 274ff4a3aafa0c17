// Asking the bench. Every failure becomes an Error whose message is for the operator.

const BASE = "/api/v1";
const PATIENCE_MS = 15000;

async function ask(method, path, body) {
  const options = { method, signal: AbortSignal.timeout(PATIENCE_MS) };
  if (body !== undefined) {
    options.body = JSON.stringify(body);
    options.headers = { "Content-Type": "application/json" };
  }
  let response;
  try {
    response = await fetch(BASE + path, options);
  } catch {
    throw new Error("The bench does not answer. Check the network and the bench's computer.");
  }
  const data = await response.json().catch(() => null);
  if (response.ok && data !== null) return data;
  const fault = new Error(data?.error?.message ?? `The bench answered ${response.status} without saying why.`);
  fault.code = data?.error?.code;
  throw fault;
}

const query = (values) => {
  const given = Object.entries(values).filter(([, value]) => value !== null && value !== undefined);
  return given.length ? `?${new URLSearchParams(given.map(([key, value]) => [key, String(value)]))}` : "";
};
const channelPath = (supply, channel) => `/supplies/${encodeURIComponent(supply)}/channels/${channel}`;
const planPath = (name) => `/plans/${encodeURIComponent(name)}`;
const tracePath = (id) => `/traces/${encodeURIComponent(id)}`;

export const api = {
  rejected: (follower) => ask("GET", `/followers/${encodeURIComponent(follower)}/rejected?limit=50`).then((data) => data.rejected),
  allOff: () => ask("POST", "/off"),
  channelOff: (supply, channel) => ask("POST", `${channelPath(supply, channel)}/off`),
  /** `less`: voltage_v, limit_a, where they are to be below the plan's. */
  powerOn: (supply, channel, plan, less = {}) => ask("POST", `${channelPath(supply, channel)}/on`, { plan, ...less, by: "page" }),
  next: (supply, channel, by = "page") => ask("POST", `${channelPath(supply, channel)}/next`, { by }),
  consent: (supply, key, who) => ask("POST", `/supplies/${encodeURIComponent(supply)}/consent`, { key, who }),
  rearm: (supply, channel, by = "page") => ask("POST", `${channelPath(supply, channel)}/rearm`, { by }),
  mark: (supply, channel, kind) => ask("POST", `${channelPath(supply, channel)}/mark`, { kind }),
  recent: (supply, channel, seconds, points) => ask("GET", `/recent${query({ supply, channel, seconds, points })}`),
  jobs: async () => (await ask("GET", "/jobs")).jobs,
  createJob: (job) => ask("POST", "/jobs", job),
  chooseJob: (job) => ask("PUT", "/bench/job", { job }),
  journal: async (job, limit) => (await ask("GET", `/journal${query({ job, limit })}`)).entries,
  note: (job, text) => ask("POST", "/journal", { job, text }),
  traces: async (job, limit) => (await ask("GET", `/traces${query({ job, limit })}`)).traces,
  trace: (id) => ask("GET", tracePath(id)),
  samples: (id, points, from_s, to_s) => ask("GET", `${tracePath(id)}/samples${query({ points, from_s, to_s })}`),
  references: async (board) => (await ask("GET", `/references${query({ board })}`)).references,
  addReference: (trace, board, note) => ask("POST", "/references", { trace, board, note, by: "page" }),
  removeReference: (trace) => ask("DELETE", `/references/${encodeURIComponent(trace)}${query({ by: "page" })}`),
  compare: (id, earlier) => ask("GET", `${tracePath(id)}/compare${query({ with: earlier })}`),
  nearest: (id, count) => ask("GET", `${tracePath(id)}/nearest${query({ count })}`),
  plans: async () => (await ask("GET", "/plans")).plans,
  savePlan: (name, values) => ask("PUT", planPath(name), values),
  deletePlan: (name) => ask("DELETE", planPath(name)),
  trips: async (job, limit) => (await ask("GET", `/trips${query({ job, limit })}`)).trips,
  trip: (number) => ask("GET", `/trips/${number}`),
  pictureAddress: (id) => `${BASE}${tracePath(id)}/picture.png`,
  csvAddress: (id) => `${BASE}${tracePath(id)}/csv`,
};
