// New content in an old place, without losing the person's place in it.

/**
 * Put other children into a node; what had the focus has it again, found by its `data-key`.
 * @param {HTMLElement} node
 * @param {...(Node | string)} children
 */
export function refill(node, ...children) {
  const had = document.activeElement;
  const key = had instanceof HTMLElement && node.contains(had) ? had.dataset.key : undefined;
  node.replaceChildren(...children);
  if (key !== undefined) focusKey(node, key);
}

/**
 * Give the focus to what has this `data-key`, as after a sheet that was opened by it.
 * @param {HTMLElement} node
 * @param {string} key
 */
export function focusKey(node, key) {
  const found = [.../** @type {NodeListOf<HTMLElement>} */ (node.querySelectorAll("[data-key]"))].find((one) => one.dataset.key === key);
  found?.focus({ preventScroll: true });
}
