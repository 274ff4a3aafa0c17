// Spoken words into a text field, where the browser can. Where it cannot there is no button.

import { button, setData, setText } from "../shared/dom.js";

/** @typedef {{ continuous: boolean, interimResults: boolean, lang: string, start(): void, stop(): void, abort(): void,
 *   onresult: ((event: any) => void) | null, onerror: ((event: any) => void) | null, onend: (() => void) | null }} Recogniser */

const FAULTS = {
  "not-allowed": "The browser was not allowed to use the microphone.",
  "service-not-allowed": "The browser does not offer dictation here.",
  network: "This browser dictates over the internet, and that was not reached. Use the keyboard's own dictation, or type.",
  "audio-capture": "No microphone was found.",
  "no-speech": "Nothing was heard.",
};

/** @returns {(new () => Recogniser) | null} */
const maker = () => /** @type {any} */ (globalThis).SpeechRecognition ?? /** @type {any} */ (globalThis).webkitSpeechRecognition ?? null;

/**
 * A button that writes what is said behind what stands in the field; null: this browser cannot.
 * @param {HTMLTextAreaElement | HTMLInputElement} field
 * @param {Node} fault where it says why it failed
 */
export function dictation(field, fault) {
  const Maker = maker();
  if (Maker === null) return null;
  /** @type {Recogniser | null} */
  let running = null;
  const node = button("Dictate", () => (running ? running.stop() : start()), {
    class: "quiet dictate", "aria-pressed": "false", "data-changes": true, testid: "dictate",
    title: "Some browsers send the sound to their maker to be written down.",
  });
  const show = () => {
    node.setAttribute("aria-pressed", String(running !== null));
    setData(node, "running", String(running !== null));
    setText(node, running ? "Listening … tap to end" : "Dictate");
  };
  function start() {
    setText(fault, "");
    running = new /** @type {new () => Recogniser} */ (Maker)();
    running.continuous = true;
    running.interimResults = false;
    running.lang = navigator.language;
    running.onresult = (event) => {
      const words = [...event.results].slice(event.resultIndex).filter((one) => one.isFinal).map((one) => one[0].transcript.trim());
      if (words.length === 0) return;
      field.value = [field.value.trimEnd(), ...words].filter(Boolean).join(" ").slice(0, field.maxLength > 0 ? field.maxLength : undefined);
      field.dispatchEvent(new Event("input", { bubbles: true }));
      // The field went away with its sheet: nobody sees what is written.
      if (!field.isConnected) running?.abort();
    };
    running.onerror = ({ error }) => setText(fault, FAULTS[/** @type {keyof FAULTS} */ (error)] ?? `Dictation failed: ${error}.`);
    running.onend = () => {
      running = null;
      show();
    };
    running.start();
    show();
  }
  return node;
}
