// The readings of one trace as they are asked for while it is zoomed and moved: one question at a time, the newest next.

import { messageOf } from "../shared/api.js";
import { windowFor } from "./range.js";
import { spliced } from "./splice.js";
import { traceApi } from "./traceapi.js";

/** @import { Window } from "../shared/types.js" */
/** @import { Range } from "./range.js" */
/** @import { Columns } from "./splice.js" */

/** @param {Window} found @returns {Columns} */
const columnsOf = (found) => [found.t_s, found.v, found.i];

export class Windows {
  /**
   * @param {string} id
   * @param {() => void} onData what `columns` gives is new
   * @param {(text: string) => void} onFault empty: it works again
   */
  constructor(id, onData, onFault) {
    this.id = id;
    this.onData = onData;
    this.onFault = onFault;
    /** @type {Columns} */
    this.overview = [[], [], []];
    /** @type {Columns | null} */
    this.part = null;
    /** @type {Range} first and last reading; not known before `first` */
    this.ends = [0, 1];
    /** All readings of the part are there, none is thinned out. */
    this.whole = false;
    this.readings = 0;
    this.asking = false;
    this.closed = false;
    /** @type {{ range: Range, width: number } | null} */
    this.next = null;
    /** @type {Columns | null} */
    this.laid = null;
  }

  /** Ask for all of it on so many columns of pixels. Throws Fault. @param {number} columns */
  async first(columns) {
    const found = await traceApi.window(this.id, { columns });
    this.overview = columnsOf(found);
    this.whole = !found.thinned;
    this.readings = found.readings;
    const [t] = this.overview;
    if (t.length) this.ends = [t[0], t[t.length - 1]];
    if (this.ends[1] <= this.ends[0]) this.ends = [this.ends[0] - 0.5, this.ends[0] + 0.5];
    this.laid = null;
  }

  /** Readings to be drawn: time, V, A. */
  get columns() {
    this.laid ??= spliced(this.overview, this.part);
    return this.laid;
  }

  /**
   * What is shown now; `width`: of the plot in the screen's own pixels.
   * @param {Range} range
   * @param {number} width
   */
  want(range, width) {
    if (this.closed || width < 1) return;
    this.next = { range, width };
    if (!this.asking) this.ask();
  }

  async ask() {
    this.asking = true;
    while (this.next !== null && !this.closed) {
      const { range, width } = this.next;
      this.next = null;
      try {
        const found = await traceApi.window(this.id, windowFor(range, width, this.ends));
        if (this.closed) break;
        this.part = columnsOf(found);
        this.whole = !found.thinned;
        this.laid = null;
        this.onFault("");
        this.onData();
      } catch (fault) {
        if (!this.closed) this.onFault(messageOf(fault));
      }
    }
    this.asking = false;
  }

  close() {
    this.closed = true;
  }
}
