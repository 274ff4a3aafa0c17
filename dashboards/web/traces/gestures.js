// Wheel, fingers, mouse and keys on a plot: which part of time is shown.

import { moved, momentAt, pinched, shareOf, within, zoomed } from "./range.js";
import { el } from "../shared/dom.js";

/** @import { Range } from "./range.js" */

/**
 * @typedef {object} Pane what is moved
 * @property {() => { left: number, top: number, width: number, height: number }} box where the plot lies in its element, CSS px
 * @property {() => Range} range
 * @property {() => Range} whole
 * @property {(range: Range) => void} show
 */

const WHEEL_STEP = 1.0016;
const KEY_ZOOM = 0.6;
const KEY_MOVE = 0.2;
/** A mouse that was dragged by less marks no part, CSS px. */
const LEAST_DRAG_PX = 8;

/**
 * The wheel zooms at the pointer (with Shift it moves), two fingers zoom, one moves, the mouse marks a part to zoom into,
 * a double click shows the whole; arrows move, + and - zoom, 0 shows the whole.
 * @param {HTMLElement} node the plot's element; can have the focus
 * @param {Pane} pane
 */
export function steer(node, pane) {
  const share = (/** @type {{ clientX: number }} */ event) => (event.clientX - node.getBoundingClientRect().left - pane.box().left) / pane.box().width;
  node.addEventListener("wheel", (event) => wheel(event, pane, share(event)), { passive: false });
  node.addEventListener("keydown", (event) => keys(event, node, pane));
  node.addEventListener("dblclick", () => pane.show(pane.whole()));
  fingers(node, pane, share);
  marking(node, pane, share);
}

/** @param {WheelEvent} event @param {Pane} pane @param {number} share */
function wheel(event, pane, share) {
  const pixels = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 16 : event.deltaMode === WheelEvent.DOM_DELTA_PAGE ? 400 : 1;
  const range = pane.range();
  const sideways = event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY);
  const next = sideways
    ? moved(range, ((event.deltaX || event.deltaY) * pixels) / pane.box().width, pane.whole())
    : zoomed(range, WHEEL_STEP ** (event.deltaY * pixels), momentAt(share, range), pane.whole());
  // Where nothing moves any more the page scrolls, as anywhere else.
  if (next[0] === range[0] && next[1] === range[1]) return;
  event.preventDefault();
  pane.show(next);
}

/** @param {KeyboardEvent} event @param {HTMLElement} node @param {Pane} pane */
function keys(event, node, pane) {
  if (event.target !== node || event.ctrlKey || event.altKey || event.metaKey) return;
  const range = pane.range();
  const middle = (range[0] + range[1]) / 2;
  const whole = pane.whole();
  /** @type {Record<string, () => Range>} */
  const known = {
    ArrowLeft: () => moved(range, -KEY_MOVE, whole),
    ArrowRight: () => moved(range, KEY_MOVE, whole),
    PageUp: () => moved(range, -1, whole),
    PageDown: () => moved(range, 1, whole),
    Home: () => within([whole[0], whole[0] + range[1] - range[0]], whole),
    End: () => within([whole[1] - range[1] + range[0], whole[1]], whole),
    "+": () => zoomed(range, KEY_ZOOM, middle, whole),
    "=": () => zoomed(range, KEY_ZOOM, middle, whole),
    "-": () => zoomed(range, 1 / KEY_ZOOM, middle, whole),
    0: () => whole,
  };
  const next = known[event.key];
  if (next === undefined) return;
  event.preventDefault();
  pane.show(next());
}

/** @param {HTMLElement} node @param {Pane} pane @param {(event: { clientX: number }) => number} share */
function fingers(node, pane, share) {
  /** Moments that the fingers hold, by finger. @type {Map<number, { moment: number, share: number }>} */
  const held = new Map();
  /** All fingers hold what is under them now. */
  const grip = () => {
    for (const one of held.values()) one.moment = momentAt(one.share, pane.range());
  };
  node.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse" || held.size === 2) return;
    node.setPointerCapture(event.pointerId);
    held.set(event.pointerId, { moment: 0, share: share(event) });
    grip();
  });
  node.addEventListener("pointermove", (event) => {
    const one = held.get(event.pointerId);
    if (one === undefined) return;
    one.share = share(event);
    const range = pane.range();
    const [first, second] = [...held.values()].sort((x, y) => x.share - y.share);
    if (second === undefined) {
      const by = first.moment - momentAt(first.share, range);
      pane.show(within([range[0] + by, range[1] + by], pane.whole()));
      return;
    }
    const next = pinched(pane.whole(), [first.moment, second.moment], [first.share, second.share]);
    if (next !== null) pane.show(next);
  });
  for (const end of ["pointerup", "pointercancel"]) {
    node.addEventListener(end, (event) => {
      if (held.delete(/** @type {PointerEvent} */ (event).pointerId)) grip();
    });
  }
}

/** @param {HTMLElement} node @param {Pane} pane @param {(event: { clientX: number }) => number} share */
function marking(node, pane, share) {
  const area = el("div", { class: "marked-part", hidden: true });
  node.append(area);
  /** @type {{ moment: number, x: number } | null} */
  let from = null;
  node.addEventListener("pointerdown", (event) => {
    if (event.pointerType !== "mouse" || event.button !== 0 || share(event) < 0 || share(event) > 1) return;
    from = { moment: momentAt(share(event), pane.range()), x: event.clientX };
    node.setPointerCapture(event.pointerId);
  });
  node.addEventListener("pointermove", (event) => {
    if (from === null) return;
    const { left, top, width, height } = pane.box();
    const shares = [shareOf(from.moment, pane.range()), Math.min(Math.max(share(event), 0), 1)].sort((x, y) => x - y);
    area.hidden = Math.abs(event.clientX - from.x) < LEAST_DRAG_PX;
    Object.assign(area.style, {
      left: `${left + shares[0] * width}px`, width: `${(shares[1] - shares[0]) * width}px`, top: `${top}px`, height: `${height}px`,
    });
  });
  node.addEventListener("pointerup", (event) => {
    if (from === null) return;
    const to = momentAt(Math.min(Math.max(share(event), 0), 1), pane.range());
    if (!area.hidden) pane.show(within([Math.min(from.moment, to), Math.max(from.moment, to)], pane.whole()));
    from = null;
    area.hidden = true;
  });
  node.addEventListener("pointercancel", () => {
    from = null;
    area.hidden = true;
  });
}
