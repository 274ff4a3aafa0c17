// The trip sound. Browsers allow sound only after the page was touched once.

const BEEPS = 4;
const REPEATS = 3;
const PAUSE_MS = 5000;

export class Alarm {
  constructor() {
    this.context = null;
    this.timer = null;
    for (const event of ["pointerdown", "keydown"]) addEventListener(event, () => this.allow(), { passive: true });
  }

  /** Whether a sound would be heard. */
  get ready() {
    return this.context?.state === "running";
  }

  allow() {
    const Context = window.AudioContext ?? window.webkitAudioContext;
    if (!Context) return;
    this.context ??= new Context();
    if (this.context.state === "suspended") this.context.resume();
  }

  /** Two tones in turn, a few times over, unless quieted. */
  sound() {
    this.quiet();
    let left = REPEATS;
    const once = () => {
      this.beep();
      left -= 1;
      this.timer = left > 0 ? setTimeout(once, PAUSE_MS) : null;
    };
    once();
  }

  quiet() {
    clearTimeout(this.timer);
    this.timer = null;
  }

  beep() {
    if (!this.ready) return;
    const start = this.context.currentTime;
    for (let n = 0; n < BEEPS; n++) {
      const tone = this.context.createOscillator();
      const volume = this.context.createGain();
      tone.type = "square";
      tone.frequency.value = n % 2 ? 620 : 930;
      const at = start + n * 0.22;
      volume.gain.setValueAtTime(0, at);
      volume.gain.linearRampToValueAtTime(0.25, at + 0.01);
      volume.gain.setValueAtTime(0.25, at + 0.17);
      volume.gain.linearRampToValueAtTime(0, at + 0.2);
      tone.connect(volume).connect(this.context.destination);
      tone.start(at);
      tone.stop(at + 0.21);
    }
  }
}
