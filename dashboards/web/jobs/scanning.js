// Listens for a scanner in every view. While a field has the focus the scanner types into it, as any keyboard does.

import { ScanReader } from "./scan.js";

const SILENT_FIELDS = new Set(["checkbox", "radio", "button", "submit", "file"]);

/** Where a key is text, or chooses something. @param {EventTarget | null} target */
function typing(target) {
  if (!(target instanceof Element)) return false;
  if (target.closest("textarea, select, [contenteditable]")) return true;
  const input = target.closest("input");
  return input !== null && !SILENT_FIELDS.has(input.type);
}

/**
 * `take(text)` gets what was scanned. Only the Enter that ends a scan is kept from the page (it would press the button that has
 * the focus); every other key goes on to whom it is for, a foot switch among them.
 * @param {(text: string) => void} take
 */
export function listenForScans(take) {
  const reader = new ScanReader();
  addEventListener("keydown", (event) => {
    if (event.repeat || event.isComposing || event.ctrlKey || event.altKey || event.metaKey || typing(event.target)) return;
    const text = reader.key(event.key, event.timeStamp);
    if (text === null) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    take(text);
  }, { capture: true });
}
