// How quickly keys follow each other: a scanner is a keyboard, too, and what it types may hold a key that does something.

/** Keys that are this close, ms, are taken for a scanner's: by radio it needs up to some 50 a key, quick fingers on two
 *  different keys 80 and more (common practice, no source). Twice that, since a busy tablet dates keys unevenly. */
export const SCANNER_MS = 100;

export class Pace {
  constructor() {
    this.atMs = -Infinity;
    /** Of the keys that are text. */
    this.count = 0;
  }

  /**
   * One key that went down, as the keyboard names it (`KeyboardEvent.key`), and when, ms: whether it came so soon after a
   * key that is text that it belongs to what a scanner types.
   * @param {string} key
   * @param {number} atMs
   */
  key(key, atMs) {
    const quick = atMs - this.atMs <= SCANNER_MS;
    if ([...key].length === 1) {
      this.atMs = atMs;
      this.count += 1;
    }
    return quick;
  }
}
