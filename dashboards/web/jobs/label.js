// A job's label on paper: only the label is printed, not the page around it.

import { el } from "../shared/dom.js";
import { say } from "../shared/said.js";
import { jobApi } from "./jobapi.js";

/**
 * Ask the browser to print the label. The picture has to be there first, else an empty page would be printed.
 * @param {string} id
 */
export async function printLabel(id) {
  const picture = el("img", { class: "label-picture", src: jobApi.labelAddress(id), alt: `Label of ${id}` });
  const sheet = el("div", { class: "print-sheet", testid: "print-sheet" }, picture);
  try {
    await picture.decode();
  } catch {
    say(`The label of ${id} cannot be had from the bench: nothing is printed.`);
    return;
  }
  document.body.append(sheet);
  document.body.classList.add("printing");
  addEventListener("afterprint", () => {
    document.body.classList.remove("printing");
    sheet.remove();
  }, { once: true });
  print();
}
