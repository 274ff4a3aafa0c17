// Building and changing elements. Text only ever goes in as text: a job named <script> is a name.

/** An element. `props`: class, testid, on (event → listener); everything else is an attribute (true: empty). */
export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "class") node.className = value;
    else if (key === "testid") node.dataset.testid = value;
    else if (key === "on") for (const [event, listener] of Object.entries(value)) node.addEventListener(event, listener);
    else node.setAttribute(key, value === true ? "" : String(value));
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

/** Change a text only when it differs: screen readers and the browser's layout are left in peace. */
export function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** A data- attribute, likewise. */
export function setData(node, key, value) {
  if (node.dataset[key] !== value) node.dataset[key] = value;
}

export const byId = (id) => document.getElementById(id);

/** A button. */
export function button(text, onClick, props = {}) {
  return el("button", { type: "button", ...props, on: { click: onClick } }, text);
}
