// The connection to the server: key, socket, answers by number, coming back after a sleep.
const SILENT_MS = 4000;
const WAITS_MS = [250, 500, 750, 1000, 2000, 5000];

/** The key from the address's fragment, which is taken out at once; else the one kept for this tab. */
export function takeKey() {
  const found = /[#&]k=([\w-]+)/.exec(location.hash);
  if (found) {
    sessionStorage.setItem("key", found[1]);
    history.replaceState(null, "", location.pathname + "#now");
  }
  return sessionStorage.getItem("key");
}

export class Link {
  /** `heard`: called with each message; `pictured`: with kind and blob; `turned`: when the connection comes or goes. */
  constructor({heard, pictured, turned}) {
    Object.assign(this, {heard, pictured, turned, tries: 0, number: 0, waiting: new Map(), up: false, refused: ""});
    this.heardAt = 0;
    setInterval(() => this.lookAfter(), 500);
    document.addEventListener("visibilitychange", () => document.hidden || this.wake());
    addEventListener("online", () => this.wake());
  }

  open(key) {
    this.key = key;
    this.refused = "";
    clearTimeout(this.timer);
    this.socket?.close();
    const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/link`);
    this.socket = socket;
    this.openedAt = performance.now();
    socket.binaryType = "arraybuffer";
    socket.onopen = () => socket.send(JSON.stringify({key}));
    socket.onmessage = ({data}) => socket === this.socket && this.take(data);
    socket.onclose = event => socket === this.socket && this.closed(event);
  }

  take(data) {
    this.heardAt = performance.now();
    if (data instanceof ArrayBuffer) {
      this.pictured(new Uint8Array(data, 0, 1)[0], new Blob([new Uint8Array(data, 1)], {type: "image/jpeg"}));
      return;
    }
    const message = JSON.parse(data);
    if (message.hello) {
      this.tries = 0;
      this.up = true;
      this.turned();
    }
    if (message.done !== undefined || message.ticket) {
      this.waiting.get(message.done ?? message.number)?.(message);
      this.waiting.delete(message.done ?? message.number);
    }
    this.heard(message);
  }

  closed(event) {
    this.up = false;
    for (const answer of this.waiting.values()) answer({refused: "gone"});
    this.waiting.clear();
    if (event.reason === "key" || event.reason === "full") this.refused = event.reason;
    this.turned();
    if (this.refused !== "key") this.timer = setTimeout(() => this.open(this.key), WAITS_MS[Math.min(this.tries++, WAITS_MS.length - 1)]);
  }

  lookAfter() {
    const silent = performance.now() - Math.max(this.heardAt, this.openedAt ?? 0);
    if (this.socket && this.refused !== "key" && silent > SILENT_MS && this.socket.readyState < 2) this.wake();
  }

  /** A tablet that slept has a socket that nobody holds at the other end. */
  wake() {
    if (!this.key || this.refused === "key") return;
    if (this.up && performance.now() - this.heardAt < 1500) return;
    this.up = false;
    this.turned();
    this.open(this.key);
  }

  /** Send a message and get its answer. */
  ask(message) {
    if (!this.up || this.socket.readyState !== 1) return Promise.resolve({refused: "gone"});
    const number = ++this.number;
    this.socket.send(JSON.stringify({...message, number}));
    return new Promise(resolve => this.waiting.set(number, resolve));
  }

  tell(message) {
    if (this.up && this.socket.readyState === 1) this.socket.send(JSON.stringify(message));
  }
}
