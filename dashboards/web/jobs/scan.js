// Telling a scanner from a person: a scanner is a keyboard that types a label faster than fingers can, and ends with Enter.

/** Between two keys of a scanner, ms. Scanners by cable need 1 to 30 ms a key, by radio up to some 50; quick typists need
 *  80 and more (common practice, no source). */
export const LONGEST_GAP_MS = 60;
/** What is shorter may be two keys struck together. */
export const SHORTEST_SCAN = 3;
/** Longer than any label of ours; a key that lies under a book does not fill the memory. */
export const LONGEST_SCAN = 300;

/** Keys in, scans out. Time comes with the keys. */
export class ScanReader {
  constructor() {
    this.text = "";
    this.atMs = -Infinity;
  }

  /**
   * One key, as the keyboard names it (`KeyboardEvent.key`), and when, ms. The text of a scan that this key has ended;
   * null: none has ended.
   * @param {string} key
   * @param {number} atMs
   * @returns {string | null}
   */
  key(key, atMs) {
    const quick = atMs - this.atMs <= LONGEST_GAP_MS;
    if (key === "Shift") return null; // capital letters: neither text nor an end
    this.atMs = atMs;
    if (key === "Enter") {
      const text = quick ? this.text.trim() : "";
      this.text = "";
      return text.length >= SHORTEST_SCAN ? text : null;
    }
    if ([...key].length !== 1) this.text = "";
    else this.text = ((quick ? this.text : "") + key).slice(0, LONGEST_SCAN + 1);
    if (this.text.length > LONGEST_SCAN) this.text = "";
    return null;
  }
}

/** @typedef {{ words: string, failed: boolean }} Outcome what to tell the person of a scan */

/**
 * Where several scans come while the first is still being looked up, only the last counts.
 * `work(text, last)` does what a scan asks for: it asks `last()` before each thing that cannot be undone. The answer is what to say.
 */
export class LastScan {
  /** @param {(text: string, last: () => boolean) => Promise<string>} work */
  constructor(work) {
    this.work = work;
    this.number = 0;
    /** @type {string[]} */
    this.passedOver = [];
    this.busy = false;
  }

  /**
   * null: a later scan will tell it.
   * @param {string} text
   * @returns {Promise<Outcome | null>}
   */
  async take(text) {
    const number = ++this.number;
    const last = () => number === this.number;
    if (this.busy) this.passedOver.push(this.running);
    this.running = text;
    this.busy = true;
    let words;
    let failed = false;
    try {
      words = await this.work(text, last);
    } catch (fault) {
      failed = true;
      words = fault instanceof Error ? fault.message : String(fault);
    }
    if (!last()) return null;
    const others = [...new Set(this.passedOver)].filter((one) => one !== text);
    this.passedOver = [];
    this.busy = false;
    if (others.length) words = `${words.replace(/[.!]?$/, ".")} Scanned just before and not used: ${others.join(", ")}.`;
    return { words, failed };
  }

  /** @type {string} */
  running = "";
}
