// The words for the kinds of files.

/** One file of each kind, and all of them. @type {Record<string, [string, string, string]>} */
export const KINDS = {
  supplies: ["Settings of the bench", "Settings of the bench", "benchd.toml: supplies, limits, log, servers, access."],
  plan: ["Plan", "Power plans", "Voltage, stages, limits and protections for kinds of boards."],
  card: ["Card", "Signature cards", "What a shape of trace looks like, what it means, and what to check next."],
  checklist: ["Checklist", "Checklists", "What is to be looked at before power, before a chip comes off, and before hand-over."],
  steps: ["Kinds of steps", "Kinds of steps", "The buttons for what was done: cleaned, reflowed, swapped."],
};

/** Where a file stands. @type {Record<string, string>} */
export const ORIGINS = {
  own: "A file of this bench.",
  settings: "Stands in benchd.toml. Saving makes a file of your own, which stands before it.",
  shipped: "Comes with benchd. Saving makes a file of your own, which stands before it.",
  "": "Not there yet: saving makes it.",
};

/** What a new file begins with. @type {Record<string, string>} */
export const NEW_TEXT = {
  plan: 'format = 1\ntitle = ""\nvoltage_v = 4.0\nlimit_a = 1.0\nsource = "common practice, no source"\n',
  checklist: 'format = 1\ntitle = "What this list is for"\nmoment = "before-power"     # or before-chip, after-repair\n# for_boards = ["blue-*"]    # left out: for all\n\n[[item]]\nid = "first"\nlabel = "What is to be so"\nwhy = ""\n',
};

/** What was done to a file. @type {Record<string, string>} */
export const WHAT = { made: "made", changed: "changed", deleted: "deleted" };

/** @param {string} file @param {string} name */
export const fileWords = (file, name) => (file === "supplies" ? "benchd.toml" : file === "steps" ? KINDS.steps[0] : `${KINDS[file]?.[0] ?? file} ${name}`);
