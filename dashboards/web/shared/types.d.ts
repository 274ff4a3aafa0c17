// What the bench answers, by the names of its description at /api/v1/openapi.json. Written by
// `python -m tests.page.answers` from the shapes of benchd/web/description.py; only tsc reads it, no browser does.

/** What else could explain the trace, and what would tell the two apart. */
export interface Alternative {
  signature: string;
  confidence: number;
  tell_apart: string;
}

/** The reading that is nearest to a moment. */
export interface At {
  t_s: number;
  voltage_v: number;
  current_a: number;
}

/** A trace against the references of its board, and their band as columns for a plot. `t_s`: s after the trace's start; `mean_a`, and where the next good board would lie (k = 2), A; null: no reference reaches there. */
export interface BandView {
  references: number;
  why_not: string;
  compared_s: number;
  similarity: number | null;
  divergence: Divergence | null;
  t_s: Array<number>;
  mean_a: Array<number | null>;
  low_a: Array<number | null>;
  high_a: Array<number | null>;
  ratios: Record<string, Record<string, number>>;
}

/** The values of benchd.toml, for a form. */
export interface BenchForm {
  values: Record<string, any> | null;
  defaults: Record<string, Record<string, any>>;
  profiles: Array<string>;
  plans: Array<string>;
  version: string;
  pending: boolean;
  by_hand: boolean;
  faults: Array<FileFault>;
  warnings: Array<string>;
}

/** One bench. */
export interface BenchSeen {
  bench: string;
  standing: "away" | "online" | "silent" | "twice" | "unknown";
  text: string;
  word_age_s: number | null;
  job: string | null;
  outputs: Array<OutputSeen>;
  trip: TripSeen | null;
  finding: FindingSeen | null;
  page: string;
}

/** The whole bench, now. */
export interface BenchView {
  bench: string;
  t_ns: number;
  job: string | null;
  guard: string;
  channels: Array<ChannelView>;
  followers: Record<string, Record<string, any>>;
  log: Record<string, any>;
  warnings: Array<string>;
  plans: Array<Record<string, any>>;
  alarms: Array<Record<string, any>>;
  checks_open: Array<string>;
  procedures: Array<ProcedureView>;
}

/** All benches, now. */
export interface BenchesView {
  broker: string;
  heard: boolean;
  text: string;
  benches: Array<BenchSeen>;
}

/** Readings with from_s <= t <= to_s, s after the trace's start. None: there is no reading to tell it by. */
export interface Between {
  from_s: number;
  to_s: number;
  first: At | null;
  last: At | null;
  readings: number;
  charge_c: number | null;
  charge_u_c: number | null;
  energy_j: number | null;
  mean_a: number | null;
  least_a: number | null;
  most_a: number | null;
  least_v: number | null;
  most_v: number | null;
}

/** One output as the page shows it, now. None: not known. */
export interface ChannelView {
  supply: string;
  channel: number;
  output: OutputState;
  link_up: boolean;
  link_text: string;
  plan: string;
  set_voltage_v: number | null;
  limit_a: number | null;
  voltage_v: number | null;
  current_a: number | null;
  power_w: number | null;
  mode: string;
  reading_age_s: number | null;
  rate_per_s: number;
  capture: string;
  trace: string | null;
  latched: boolean;
  trip: Record<string, any> | null;
  identity: string;
  model: string;
  firmware: string;
  profile: string;
  trust: string;
  notes: Array<string>;
  consent_key: string;
  consent_text: string;
  stage: string;
  stage_by_hand: boolean;
  on_s: number | null;
  probe: Record<string, any> | null;
  leak: Record<string, any> | null;
  rearm_wait_s: number | null;
  second_layer: Array<string>;
  health: Record<string, any> | null;
  promise: Record<string, any> | null;
  version: number;
  marks: Array<Record<string, any>>;
  finding: Record<string, any> | null;
  lead_ohm: number | null;
}

/** All checklists of a job, in the order of their moments. */
export interface Checklists {
  checklists: Array<ListState>;
  faults: Array<string>;
}

/** One of several to choose from. */
export interface Choice {
  id: string;
  label: string;
}

/** One column of a curve; `u`: half of the 95 % interval of each value, empty where not known. */
export interface Column {
  name: string;
  title: string;
  unit: string;
  values: Array<number | null>;
  u: Array<number>;
}

/** Readings as columns: `t_s` s after `t0_ns`, `v` V, `i` A. `readings`: how many there were before thinning. */
export interface Columns {
  t0_ns: number;
  t_s: Array<number>;
  v: Array<number | null>;
  i: Array<number | null>;
  readings: number;
  thinned: boolean;
}

/** What two traces have in common and where the later one leaves the earlier. */
export interface Comparison {
  before_signature: string;
  before_confidence: number;
  after_signature: string;
  after_confidence: number;
  figures: Array<Figure>;
  similarity: number | null;
  divergence: Divergence | null;
  compared_s: number;
  why_not: string;
}

/** How a trace was measured. None: not known. */
export interface Conditions {
  set_voltage_v: number | null;
  limit_a: number | null;
  resolution_a: number | null;
  accuracy_fraction_a: number | null;
  accuracy_offset_a: number | null;
  board: string;
  accuracy_fraction_v: number | null;
  accuracy_offset_v: number | null;
  resolution_v: number | null;
  side: string;
  lead_ohm: number | null;
  lead_u_ohm: number | null;
}

/** Columns of equal length that belong together: the first is the abscissa. */
export interface Curve {
  name: string;
  title: string;
  columns: Array<Column>;
  t0_ns: number | null;
  fitted: Array<number | null>;
  weights: Array<number>;
  gaps: Array<[number, number]>;
}

/** Where a trace first leaves the band of its references. */
export interface Divergence {
  at_s: number;
  current_a: number;
  reference_a: number;
  difference_u_a: number;
  significance: number;
  text: string;
}

/** One fact that a finding stands on. */
export interface Evidence {
  text: string;
  quantity: string;
  value: number | null;
  unit: string;
  uncertainty: number | null;
}

/** The body of every answer with a status of 400 or above. */
export interface Failure {
  error: Fault;
}

/** What went wrong: a code for programs, a sentence for people, and the part of the request at fault. */
export interface Fault {
  code: string;
  message: string;
  where: string;
}

/** One quantity of both traces. None: one of them does not show it; uncertainties are expanded (k = 2). */
export interface Figure {
  name: string;
  unit: string;
  before: number | null;
  before_u: number | null;
  after: number | null;
  after_u: number | null;
  difference: number | null;
  difference_u: number | null;
  changed: boolean | null;
}

/** One change of a file, as it stands in the journal. */
export interface FileChange {
  seq: number;
  t_ns: number;
  file: "card" | "checklist" | "plan" | "procedure" | "steps" | "supplies";
  name: string;
  what: "changed" | "deleted" | "made";
  changed: Array<string>;
  diff: string;
  by: string;
}

/** What became of a text, or would become of it. */
export interface FileChecked {
  faults: Array<FileFault>;
  warnings: Array<string>;
  saved: FileView | null;
}

/** One thing that is wrong with a text. */
export interface FileFault {
  key: string;
  text: string;
  line: number | null;
}

/** A file that can be edited, or a shipped one that can be read and copied. */
export interface FileRow {
  file: "card" | "checklist" | "plan" | "procedure" | "steps" | "supplies";
  name: string;
  title: string;
  origin: "" | "own" | "settings" | "shipped";
  overrides: boolean;
  faults: Array<string>;
}

/** A file as it is now. Secrets in it are hidden: what stands for one is put back when the text is saved. */
export interface FileView {
  file: "card" | "checklist" | "plan" | "procedure" | "steps" | "supplies";
  name: string;
  origin: "" | "own" | "settings" | "shipped";
  text: string;
  version: string;
  at_once: boolean;
  pending: boolean;
  by_hand: boolean;
  faults: Array<FileFault>;
  warnings: Array<string>;
}

/** What a trace says. */
export interface Finding {
  signature: string;
  confidence: number;
  evidence: Array<Evidence>;
  alternatives: Array<Alternative>;
  next_checks: Array<string>;
  cautions: Array<string>;
  button_s: number | null;
  cards: string;
  divergence: Divergence | null;
  similarity: number | null;
}

/** What a trace was found to say. */
export interface FindingSeen {
  supply: string;
  channel: number;
  signature: string;
  confidence: number | null;
  t_ns: number;
  job: string | null;
}

/** How one follower stands. `lag_s`: age of the oldest row still to be sent, s; null: none waits, or not known. */
export interface FollowerView {
  name: string;
  state: string;
  text: string;
  backlog: number;
  lag_s: number | null;
  rejected: number;
  last_ok_ns: number | null;
  streams: Record<string, Record<string, any>>;
}

/** What a trace beside a step reads as. */
export interface FoundBeside {
  signature: string;
  confidence: number;
}

/** One moment of a run: a mark, an answer, a step that ended, a gap. */
export interface Happened {
  t_ns: number;
  kind: "answer" | "began" | "ended" | "gap" | "mark" | "off" | "point" | "resumed" | "step" | "trip";
  text: string;
  values: Record<string, number | string | boolean | null>;
  photo: string;
}

/** One item of a checklist and how it stands. */
export interface ItemState {
  id: string;
  label: string;
  why: string;
  state: "done" | "not-needed" | "open";
  note: string;
  by: string;
  t_ns: number | null;
  version: number;
  retired: boolean;
}

/** One device from intake to hand-over. */
export interface Job {
  id: string;
  device: string;
  board: string;
  symptom: string;
  created_ns: number;
  history: string;
  wanted_back: string;
  battery: "" | "in" | "none" | "out" | "swollen" | "unknown";
  accessories: string;
  consent: Array<string>;
  state: "given-up" | "handed-over" | "looking" | "ready" | "repairing" | "taken-in" | "testing" | "waiting-owner" | "waiting-parts";
  changed_ns: number;
  version: number;
}

/** What the intake form offers. */
export interface JobChoices {
  states: Array<Choice>;
  batteries: Array<Choice>;
  risks: Array<Choice>;
  boards: Array<string>;
  next_id: string;
}

/** A job whose owner's data was taken out of the log. */
export interface JobForgotten {
  job: string;
  notes: number;
  traces: number;
  rows: number;
  left: string;
  photos: number;
}

/** One line of the timeline. `seq` orders all entries of a log and is what followers' cursors count. */
export interface JournalEntry {
  seq: number;
  t_ns: number;
  kind: string;
  job: string | null;
  supply: string | null;
  channel: number | null;
  trace: string | null;
  payload: Record<string, any>;
}

/** What a scanner has read. */
export interface LabelRead {
  id: string;
  known: boolean;
  job: Job | null;
}

/** What the leads of an output were measured to have, there and back. */
export interface LeadSet {
  supply: string;
  channel: number;
  name: string;
  ohm: number;
  u_ohm: number;
  current_a: number;
  celsius: number | null;
  t_ns: number;
  run: string;
  by: string;
  sense: "remote" | "two-wire";
  chosen_ns: number;
}

/** What the leads of an output have, as it is used now. */
export interface LeadView {
  supply: string;
  channel: number;
  leads: LeadSet | null;
  origin: "" | "measured" | "settings" | "typed";
  text: string;
  old: boolean;
}

/** Leads of every output, and what was measured or typed before, newest first. */
export interface Leads {
  now: Array<LeadView>;
  kept: Array<LeadSet>;
}

/** A trace among others on one time axis. */
export interface LinedUp {
  trace: TraceRow;
  zero_s: number;
  by: string;
}

/** A checklist of a job and how its items stand. */
export interface ListState {
  id: string;
  label: string;
  moment: "after-repair" | "before-chip" | "before-power";
  items: Array<ItemState>;
  open: number;
}

/** A moment in a trace. `by`: "recogniser", or "hand" when a person (page, CLI, MQTT, file) gave it. */
export interface Mark {
  kind: "boot-end" | "button" | "connected" | "off" | "removed" | "tripped";
  t_ns: number;
  by: "guard" | "hand" | "recogniser";
  why: string;
}

/** What one may do. */
export interface May {
  look: boolean;
  off: boolean;
  change: boolean;
}

/** Who one is to the bench. No session: it neither began nor ends. */
export interface Me {
  name: string;
  role: string;
  since_ns: number | null;
  until_ns: number | null;
  can: May;
  note: string;
}

/** What was measured on a trace. Quantities that it does not show are left out. */
export interface Measured {
  phases: Array<PhaseRow>;
  quantities: Array<QuantityRow>;
}

/** What a run would apply at most to one output. */
export interface MostSet {
  role: string;
  supply: string;
  channel: number;
  plan: string;
  voltage_v: number | null;
  limit_a: number | null;
  power_w: number | null;
  energy_j: number | null;
}

/** A past trace, and how far it is from the one asked about, A. */
export interface NearTrace {
  trace: TraceRow;
  distance_a: number;
}

/** The nearest past traces, nearest first. */
export interface Nearest {
  nearest: Array<NearTrace>;
  waiting: number;
}

/** One output of one bench. */
export interface OutputSeen {
  supply: string;
  channel: number;
  output: "off" | "on" | "unknown";
  doubt: string;
  last: string;
  last_ns: number | null;
  latched: boolean;
  trip: TripSeen | null;
  stage: string;
  set_voltage_v: number | null;
  limit_a: number | null;
  voltage_v: number | null;
  current_a: number | null;
  power_w: number | null;
  mode: string;
  reading_age_s: number | null;
  trace: string | null;
}

/** What is known about an output. `off` is only ever said after reading back; a hope is `unknown`. */
export type OutputState = "off" | "on" | "unknown";

/** A code that lets one phone in, once, within so many seconds; and where the page is. */
export interface PairingView {
  code: string;
  seconds: number;
  addresses: Array<string>;
  role: string;
}

/** A figure of a card that may be chosen for a run. */
export interface ParameterView {
  name: string;
  title: string;
  unit: string;
  kind: "bool" | "choice" | "number" | "text";
  default: number | string | boolean | null;
  default_text: string;
  low: number | null;
  high: number | null;
  choices: Array<string>;
  needed: boolean;
}

/** One part of a power-up: off, leak, boot, settled or short; s after the trace's start. See `phases.Phase`. */
export interface PhaseRow {
  name: string;
  from_s: number;
  to_s: number;
  charge_c: number;
  charge_u_c: number;
  energy_j: number;
  mean_a: number;
  rms_a: number;
  top_a: number;
}

/** A photo as lists show it. */
export interface Photo {
  id: number;
  job: string;
  t_ns: number;
  caption: string;
  width: number;
  height: number;
  bytes: number;
  by: string;
}

/** A power plan, and what follows from it. */
export interface PlanView {
  name: string;
  origin: string;
  overrides: string;
  values: Record<string, any>;
  cautions: Array<string>;
  version: string;
}

/** A card, as page and command line offer it. Its text is the file `procedure` of that name of the settings. */
export interface ProcedureCard {
  name: string;
  title: string;
  version: number;
  origin: "own" | "shipped";
  overrides: boolean;
  what: string;
  cautions: Array<string>;
  sides: Array<SideOf>;
  parameters: Array<ParameterView>;
  steps: Array<string>;
  plan: string;
  traces: boolean;
  resumes: boolean;
}

/** What a run would be, before anything is switched on. */
export interface ProcedureChecked {
  faults: Array<string>;
  most: Array<MostSet>;
  seconds: number | null;
  cautions: Array<string>;
  parameters: Record<string, number | string | boolean | null>;
}

/** A run that goes on. */
export interface ProcedureView {
  run: string;
  card: string;
  title: string;
  job: string | null;
  sides: Array<Side>;
  plan: string;
  began_ns: number;
  elapsed_s: number;
  step: number;
  steps: number;
  doing: string;
  share: number | null;
  question: Question | null;
  told: Told | null;
  live: boolean;
  ending: boolean;
}

/** All cards that are used, by name. */
export interface Procedures {
  procedures: Array<ProcedureCard>;
  faults: Array<string>;
}

/** One quantity that signature cards look at, as measured on this trace. */
export interface QuantityRow {
  name: string;
  label: string;
  meaning: string;
  unit: string;
  value: number;
  uncertainty: number | null;
  stated: boolean;
}

/** Something that the operator is asked, or told to do. */
export interface Question {
  name: string;
  text: string;
  kind: "choice" | "number" | "ready" | "text";
  choices: Array<string>;
  unit: string;
  low: number | null;
  high: number | null;
  until_ns: number;
}

/** A trace of a good board. */
export interface Reference {
  trace: string;
  board: string;
  note: string;
  added_ns: number;
}

/** A reference that was kept. */
export interface ReferenceAdded {
  reference: Reference;
  doubt: string;
}

/** A refused item as the log has it. `t_ns`: when it was set aside, ns since the epoch. */
export interface RejectedRow {
  follower: string;
  seq: number;
  t_ns: number;
  reason: string;
  item: string;
}

/** One figure, or one statement, that a run ends in. */
export interface Result {
  name: string;
  title: string;
  value: number | string | null;
  unit: string;
  u: number | null;
  low: number | null;
  high: number | null;
  text: string;
  verdict: "" | "bad" | "good" | "unclear";
}

/** One run. While it goes on, `outcome` is `running` and what is filled grows. */
export interface Run {
  id: string;
  card: string;
  version: number;
  title: string;
  job: string | null;
  began_ns: number;
  sides: Array<Side>;
  plan: string;
  parameters: Record<string, number | string | boolean | null>;
  by: string;
  ended_ns: number | null;
  outcome: "done" | "failed" | "interrupted" | "passed" | "refused" | "running" | "stopped" | "timed-out" | "tripped" | "unclear";
  text: string;
  results: Array<Result>;
  curves: Array<Curve>;
  happened: Array<Happened>;
  traces: Array<string>;
  cautions: Array<string>;
  compared: string;
  earlier: string;
  against: Array<string>;
}

/** Curves of a run on a good board, to be drawn beside those of another. */
export interface RunBeside {
  run: string;
  job: string | null;
  began_ns: number;
  curves: Array<Curve>;
}

/** The course of a run in so many columns: of each its least, mean and largest current. null: no reading. */
export interface RunBins {
  run: string;
  role: string;
  t0_ns: number;
  t_s: Array<number>;
  low_a: Array<number | null>;
  mean_a: Array<number | null>;
  high_a: Array<number | null>;
  gaps: Array<[number, number]>;
}

/** A run in a list. */
export interface RunRow {
  id: string;
  card: string;
  version: number;
  title: string;
  job: string | null;
  began_ns: number;
  ended_ns: number | null;
  outcome: "done" | "failed" | "interrupted" | "passed" | "refused" | "running" | "stopped" | "timed-out" | "tripped" | "unclear";
  text: string;
  sides: Array<Side>;
  by: string;
  may_resume: boolean;
}

/** One run: its record, and how it stands while it goes on. */
export interface RunView {
  run: Run;
  now: ProcedureView | null;
  may_resume: boolean;
  reference: string;
  beside: Array<RunBeside>;
}

/** Somebody who is signed in. */
export interface SessionView {
  id: string;
  name: string;
  role: string;
  since_ns: number;
  until_ns: number;
  paired: boolean;
}

/** One output that a run uses, in the role that it has there. */
export interface Side {
  role: string;
  supply: string;
  channel: number;
}

/** An output that a card asks for, in its role. */
export interface SideOf {
  role: string;
  title: string;
  text: string;
  plan: string;
}

/** `signed_out`: there was a session to end. */
export interface SignedOut {
  signed_out: boolean;
}

/** A kind of step, as the page offers it. */
export interface StepKind {
  id: string;
  label: string;
  ask: string;
  details: Array<string>;
  plain: string;
  checks_first: string;
  origin: string;
}

/** The kinds of steps, in the order to be offered. */
export interface StepKinds {
  steps: Array<StepKind>;
  faults: Array<string>;
}

/** What happened to a job, newest first. */
export interface Timeline {
  job: string;
  version: number;
  entries: Array<TimelineEntry>;
  more: boolean;
}

/** An entry of the journal; a step with the traces beside it. */
export interface TimelineEntry {
  seq: number;
  t_ns: number;
  kind: string;
  job: string | null;
  supply: string | null;
  channel: number | null;
  trace: string | null;
  payload: Record<string, any>;
  taken_back: boolean;
  before: TraceBeside | null;
  after: TraceBeside | null;
  with_steps: Array<number>;
}

/** What a live measurement says now, for page and ear. */
export interface Told {
  values: Record<string, number | string | boolean | null>;
  text: string;
  ear: number | null;
  wanted: "" | "change" | "end" | "unsafe";
  change_voltage_v: number | null;
  change_limit_a: number | null;
}

/** A trace beside a step, in short. */
export interface TraceBeside {
  id: string;
  supply: string;
  channel: number;
  start_ns: number;
  duration_s: number;
  peak_a: number | null;
  finding: FoundBeside | null;
}

/** A filed trace, without its readings (`Log.samples` has those). */
export interface TraceRow {
  id: string;
  job: string | null;
  supply: string;
  channel: number;
  start_ns: number;
  end_ns: number;
  conditions: Conditions;
  marks: Array<Mark>;
  reason: string;
  finding: Finding | null;
  readings: number;
  peak_a: number | null;
  charge_c: number | null;
  energy_j: number | null;
}

/** One trip, and the readings around it. */
export interface TripDetail {
  trip: TripRow;
  readings: TripReadings;
}

/** The readings around a trip, as columns; t_ms counts from the moment of the decision. */
export interface TripReadings {
  t_ms: Array<number>;
  voltage_v: Array<number>;
  current_a: Array<number>;
  mode: Array<string>;
  marks: Record<string, number | null>;
}

/** One trip of the log. */
export interface TripRow {
  number: number;
  supply: string;
  channel: number;
  job: string | null;
  trace: string | null;
  figures: Record<string, any>;
}

/** A trip, as far as a look from the next room needs it. */
export interface TripSeen {
  supply: string;
  channel: number;
  rule: string;
  text: string;
  t_ns: number;
  off_confirmed: boolean;
  job: string | null;
}

/** Readings with from_s <= t < to_s (s after `t0_ns`, the trace's start) as columns for a plot: `t_s`, `v` V, `i` A; null: a gap. The nearest reading on either side is there, too, so that a line goes on to the edges. */
export interface Window {
  t0_ns: number;
  from_s: number;
  to_s: number;
  t_s: Array<number>;
  v: Array<number | null>;
  i: Array<number | null>;
  readings: number;
  thinned: boolean;
}
