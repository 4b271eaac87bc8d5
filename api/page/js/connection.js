// The live line to the service: one WebSocket that comes back by itself. Data flows one way, from
// the rig to the store. Back-off 0.25 s doubling to 4 s with jitter; at once when the tablet wakes.

const FIRST_WAIT_MS = 250;
const LAST_WAIT_MS = 4000;
const SILENCE_MS = 3000; // an open line that says nothing is closed and tried anew

export class LiveLine {
  constructor({ hz = 25, base = () => "", onBaseFailed = () => {}, onMessage, onState }) {
    this.path = `/api/live?hz=${hz}&events=true`;
    this.base = base; // where to, each time anew; "" is the service
    this.onBaseFailed = onBaseFailed;
    this.usedBase = "";
    this.heard = false;
    this.onMessage = onMessage;
    this.onState = onState;
    this.socket = null;
    this.waitMs = FIRST_WAIT_MS;
    this.timer = 0;
    this.heardAt = 0;
    this.stopped = false;
    this.generation = 0;
    this.watch = setInterval(() => this.checkSilence(), 1000);
    addEventListener("online", () => this.hurry());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible") this.hurry();
    });
    this.open();
  }

  open() {
    clearTimeout(this.timer);
    if (this.stopped) return;
    this.onState("opening", 0);
    const generation = ++this.generation;
    let socket;
    this.usedBase = this.base();
    this.heard = false;
    const url = new URL(this.path, this.usedBase || location.href);
    url.protocol = location.protocol === "https:" ? "wss:" : "ws:";
    try {
      socket = new WebSocket(url);
    } catch {
      this.later(0);
      return;
    }
    this.socket = socket;
    this.heardAt = performance.now();
    socket.onopen = () => {
      if (generation === this.generation) this.onState("open", 0);
    };
    socket.onmessage = (event) => {
      if (generation !== this.generation) return;
      this.heardAt = performance.now();
      this.heard = true;
      this.waitMs = FIRST_WAIT_MS;
      let message;
      try {
        message = JSON.parse(event.data);
      } catch {
        return; // never act on what cannot be read; staleness will show
      }
      this.onMessage(message, generation);
    };
    socket.onclose = (event) => {
      if (generation === this.generation) this.later(event.code);
    };
  }

  later(code) {
    this.generation += 1;
    this.socket = null;
    if (this.stopped) return;
    if (this.usedBase && !this.heard) this.onBaseFailed();
    const denied = code === 1008 || code === 4401 || code === 4403;
    const wait = (denied ? LAST_WAIT_MS : this.waitMs) * (0.85 + 0.3 * Math.random());
    this.waitMs = Math.min(LAST_WAIT_MS, this.waitMs * 2);
    this.onState(denied ? "denied" : "waiting", wait);
    this.timer = setTimeout(() => this.open(), wait);
  }

  hurry() {
    if (!this.socket) {
      this.waitMs = FIRST_WAIT_MS;
      this.open();
    }
  }

  checkSilence() {
    if (this.socket && performance.now() - this.heardAt > SILENCE_MS) {
      const socket = this.socket;
      this.later(0);
      socket.onopen = socket.onmessage = socket.onclose = null;
      socket.close();
    }
  }
}
