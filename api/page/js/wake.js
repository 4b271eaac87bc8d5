// Keeps the tablet awake while a test runs; asked for again when the page comes back to the front.

export class WakeLock {
  constructor() {
    this.wanted = false;
    this.lock = null;
    document.addEventListener("visibilitychange", () => this.apply());
  }

  want(wanted) {
    if (wanted !== this.wanted) {
      this.wanted = wanted;
      this.apply();
    }
  }

  async apply() {
    if (!navigator.wakeLock) return;
    try {
      if (this.wanted && document.visibilityState === "visible") {
        if (!this.lock || this.lock.released) this.lock = await navigator.wakeLock.request("screen");
      } else if (this.lock && !this.wanted) {
        const lock = this.lock;
        this.lock = null;
        await lock.release();
      }
    } catch {
      this.lock = null; // battery saver or policy: the tablet may sleep, the helm then runs out
    }
  }
}
