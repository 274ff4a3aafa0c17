// What was typed and is not saved yet. It outlives the view, and a reload of the page: a tablet throws pages away when
// it likes. What may hold a secret is kept in memory alone.

/** @type {Map<string, any>} */
const inMemory = new Map();

/** @param {string} name */
const keyOf = (name) => `draft ${name}`;

export const drafts = {
  /** @param {string} name @returns {any} null: there is none */
  read(name) {
    if (inMemory.has(name)) return inMemory.get(name);
    try {
      return JSON.parse(sessionStorage.getItem(keyOf(name)) ?? "null");
    } catch {
      return null;
    }
  },
  /** @param {string} name @param {any} draft @param {boolean} secret */
  keep(name, draft, secret = false) {
    if (secret) inMemory.set(name, draft);
    else sessionStorage.setItem(keyOf(name), JSON.stringify(draft));
  },
  /** @param {string} name */
  drop(name) {
    inMemory.delete(name);
    sessionStorage.removeItem(keyOf(name));
  },
};
