// The live link: reconnects by itself, and knows how old the newest word from the bench is.

const FIRST_WAIT_MS = 300;
const LONGEST_WAIT_MS = 5000;
/** The bench says something at least once a second; silence for longer than this is a lost link. */
const SILENCE_MS = 3000;

export class Link {
  /**
   * @param {(message: any) => void} onMessage for each message
   * @param {() => unknown} onOpen after each connection
   * @param {string} path of the stream
   */
  constructor(onMessage, onOpen, path = "/api/v1/live") {
    this.path = path;
    this.onMessage = onMessage;
    this.onOpen = onOpen;
    /** @type {number | null} */
    this.heardAt = null;
    this.wait = FIRST_WAIT_MS;
    this.triedAt = 0;
    /** @type {WebSocket | null} */
    this.socket = null;
    /** @type {ReturnType<typeof setTimeout> | null} */
    this.timer = null;
    setInterval(() => this.dropIfSilent(), 500);
    // A phone that wakes up, or finds its network again, need not wait for the back-off.
    addEventListener("online", () => this.hurry());
    document.addEventListener("visibilitychange", () => document.hidden || this.hurry());
    this.connect();
  }

  /** s since the bench was last heard; null: never. */
  get silence() {
    return this.heardAt === null ? null : (performance.now() - this.heardAt) / 1000;
  }

  get live() {
    return this.heardAt !== null && performance.now() - this.heardAt < SILENCE_MS && this.socket?.readyState === 1;
  }

  connect() {
    this.timer = null;
    const address = new URL(this.path, location.href);
    address.protocol = location.protocol === "https:" ? "wss:" : "ws:";
    const socket = new WebSocket(address);
    this.socket = socket;
    this.triedAt = performance.now();
    socket.onopen = () => {
      this.wait = FIRST_WAIT_MS;
      this.onOpen();
    };
    socket.onmessage = (event) => {
      this.heardAt = performance.now();
      this.onMessage(JSON.parse(event.data));
    };
    socket.onclose = () => this.socket === socket && this.again();
  }

  again() {
    if (this.timer !== null) return;
    // A random share: ten tablets do not come back in the same instant.
    this.timer = setTimeout(() => this.connect(), this.wait * (0.5 + Math.random() / 2));
    this.wait = Math.min(this.wait * 2, LONGEST_WAIT_MS);
  }

  hurry() {
    if (this.timer === null) return;
    clearTimeout(this.timer);
    this.connect();
  }

  dropIfSilent() {
    const since = Math.max(this.heardAt ?? 0, this.triedAt);
    if (this.timer !== null || performance.now() - since < SILENCE_MS * 2) return;
    // close() on a dead network can take a minute to say so.
    const socket = this.socket;
    this.socket = null;
    socket?.close();
    this.again();
  }
}
