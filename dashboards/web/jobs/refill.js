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
  if (key === undefined) return;
  const again = [.../** @type {NodeListOf<HTMLElement>} */ (node.querySelectorAll("[data-key]"))].find((one) => one.dataset.key === key);
  again?.focus({ preventScroll: true });
}
