// Building and changing elements. Text only ever goes in as text: a job named <script> is a name.

/**
 * @typedef {{ class?: string | null, testid?: string, on?: Record<string, (event: any) => void>,
 *   [attribute: string]: any }} Props `on`: event → listener; everything else is an attribute (true: empty).
 */

/**
 * An element.
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Props} props
 * @param {...(Node | string | null | undefined)} children
 * @returns {HTMLElementTagNameMap[T]}
 */
export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "class") node.className = value;
    else if (key === "testid") node.dataset.testid = value;
    else if (key === "on") for (const [event, listener] of Object.entries(value)) node.addEventListener(event, /** @type {EventListener} */ (listener));
    else node.setAttribute(key, value === true ? "" : String(value));
  }
  node.append(.../** @type {(Node | string)[]} */ (children.filter((child) => child !== null && child !== undefined)));
  return node;
}

/**
 * Change a text only when it differs: screen readers and the browser's layout are left in peace.
 * @param {Node} node
 * @param {string} text
 */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/**
 * A data- attribute, likewise.
 * @param {HTMLElement} node
 * @param {string} key
 * @param {string} value
 */
export function setData(node, key, value) {
  if (node.dataset[key] !== value) node.dataset[key] = value;
}

/**
 * An element of the page's own file, which is there.
 * @param {string} id
 * @returns {HTMLElement}
 */
export function byId(id) {
  const found = document.getElementById(id);
  if (found === null) throw new Error(`the page has no element #${id}`);
  return found;
}

/**
 * A button.
 * @param {string} text
 * @param {(event: MouseEvent) => void} onClick
 * @param {Props} props
 */
export function button(text, onClick, props = {}) {
  return el("button", { type: "button", ...props, on: { click: onClick } }, text);
}
