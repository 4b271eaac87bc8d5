// What the page knows: the newest telemetry, how old it is, the rig's description and a short
// history. Readings are as old as the last time the front end's clock was seen to advance, less
// what the message was late; arrival alone proves nothing. After a reconnect the first message is
// only a baseline, so that something old that is sent again can never pass as new.

export const STALE_MS = 400; // with a clock of 100 ms: shown at the latest 500 ms after the last word
const HISTORY = 3000; // points kept: two minutes at 25 Hz
const DRIFT_MS_PER_S = 0.2; // how fast two clocks may part (200 ppm) without being called late
const EVENTS = 200; // kept of what the rig told
const GAP_S = 0.6; // a longer hole in the rig's time is drawn as a hole

export class Strip {
  /** Ring of (time, value, set point) for a short history. */
  constructor() {
    this.time = new Float64Array(HISTORY);
    this.value = new Float64Array(HISTORY);
    this.target = new Float64Array(HISTORY);
    this.count = 0;
    this.next = 0;
  }

  push(time, value, target) {
    this.time[this.next] = time;
    this.value[this.next] = value ?? NaN;
    this.target[this.next] = target ?? NaN;
    this.next = (this.next + 1) % HISTORY;
    this.count = Math.min(HISTORY, this.count + 1);
  }

  clear() {
    this.count = this.next = 0;
  }

  /** Calls each(time, value, target) oldest first for points not older than `since`. */
  each(since, each) {
    for (let back = Math.min(this.count, HISTORY); back > 0; back -= 1) {
      const at = (this.next - back + HISTORY) % HISTORY;
      if (this.time[at] >= since) each(this.time[at], this.value[at], this.target[at]);
    }
  }

  get latestTarget() {
    return this.count ? this.target[(this.next - 1 + HISTORY) % HISTORY] : NaN;
  }

  get latest() {
    return this.count ? this.time[(this.next - 1 + HISTORY) % HISTORY] : NaN;
  }
}

const good = (reading) => (reading && reading.value !== null && reading.quality !== "missing" ? reading.value : NaN);

export class Store {
  constructor() {
    this.telemetry = null;
    this.rig = null;
    this.link = "opening";
    this.retryAt = 0;
    this.generation = -1;
    this.loopUp = true; // as the service says
    this.denied = false; // this tablet may not watch
    this.role = "operate"; // until the service says otherwise; it decides in any case
    this.baseline = null; // loop and frame time last seen, whether or not new
    this.offset = Infinity; // least difference seen on this line between our clock and the service's, ms
    this.offsetSent = NaN; // the service's clock then, s
    this.loopAt = -Infinity; // performance.now() when the loop was last known to be alive
    this.frameAt = -Infinity; // the same for the front end's frames
    this.version = 0;
    this.engine = new Strip();
    this.speed = new Strip();
    this.power = new Strip();
    this.held = new Strip(); // what the running test holds
    this.followed = new Map(); // readings that a page draws by itself: name -> { read, ring }
    this.sweep = []; // [x, power, torque] in SI of the running sweep, x engine or roll speed
    this.climb = []; // (distance, height) of the running climb, one point per 10 m or more
    this.runId = "";
    this.events = []; // what the rig told of late
    this.measuring = false; // set by the page bench
    this.painted = []; // message-to-paint delays in ms, while measuring
    this.drawn = []; // what drawing a frame took in ms, while measuring
  }

  setLink(link, waitMs) {
    this.link = link;
    this.retryAt = performance.now() + waitMs;
  }

  /** Take what the rig told; `all` in place of what was known. */
  takeEvents(events, all = false) {
    this.events = [...(all ? [] : this.events), ...events].slice(-EVENTS);
    this.version += 1;
  }

  /** Take one telemetry message. True when it says that the loop is alive now. */
  take(message, generation) {
    if (!message || !("state" in message)) return false;
    this.loopUp = message.loop_up !== false;
    this.version += 1;
    if (typeof message.state !== "string") return false; // nothing heard from the loop yet
    const now = performance.now();
    const frame = message.measured;
    const stamp = { loop: message.time_s, frame: frame ? frame.time_s : -Infinity };
    const before = this.baseline;
    const sameLine = generation === this.generation;
    const restarted = before !== null && stamp.frame < before.frame;
    this.baseline = stamp;
    this.generation = generation;
    if (restarted) this.clearHistory();
    if (!sameLine) this.offset = Infinity; // its computer may have been started anew
    // readings that the service has blanked for their age stay on the page, grey, with their age
    const kept = message.stale && this.telemetry?.measured && !restarted ? this.telemetry.measured : frame;
    this.telemetry = kept === frame ? message : { ...message, measured: kept };
    const lateMs = this.lateness(now, message.sent_s);
    if (!sameLine || restarted || before === null) return false; // a baseline, never called live
    const age = message.age_s;
    const alive = typeof age === "number" ? this.loopUp : stamp.loop > before.loop;
    if (!alive) return false;
    this.loopAt = now - (typeof age === "number" ? age * 1000 : 0) - lateMs;
    if (stamp.frame > before.frame && !message.stale) {
      this.frameAt = now - lateMs;
      this.remember(message);
    }
    return true;
  }

  /** How much later than the quickest ones this message came: a backlog shows as old, not as new. */
  lateness(now, sent) {
    if (!Number.isFinite(sent)) return 0;
    const offset = now - sent * 1000;
    const drift = Number.isFinite(this.offset) ? Math.max(0, sent - this.offsetSent) * DRIFT_MS_PER_S : 0;
    this.offsetSent = sent;
    this.offset = Math.min(this.offset + drift, offset);
    return offset - this.offset;
  }

  remember(message) {
    const frame = message.measured;
    if (!frame) return;
    const time = frame.time_s;
    const last = this.engine.latest;
    if (Number.isFinite(last) && time - last > GAP_S) {
      for (const strip of this.rings()) {
        strip.push(last + 1e-3, NaN, NaN);
      }
    }
    const test = message.test;
    if ((test?.run_id ?? "") !== this.runId) {
      this.runId = test?.run_id ?? "";
      this.held.clear();
      this.climb = [];
      this.sweep = [];
    }
    if (Number.isFinite(test?.distance_m)) this.rememberClimb(test.distance_m, test.grade_percent ?? 0);
    const speeds = frame.roll_sets.map((set) => good(set.speed));
    const powers = frame.roll_sets.map((set) => good(set.power));
    this.engine.push(time, good(frame.engine_speed), test?.unit === "rad/s" ? test.set_point : NaN);
    this.speed.push(
      time,
      speeds.reduce((a, b) => a + b, 0) / speeds.length,
      test?.unit === "m/s" ? test.set_point : NaN,
    );
    this.power.push(
      time,
      powers.reduce((a, b) => a + b, 0),
      NaN,
    );
    if (test) this.held.push(time, test.measured, test.set_point);
    if (test?.kind === "power-sweep" && test.phase === "sweep") {
      const watts = powers.reduce((a, b) => a + b, 0);
      const radps = good(frame.engine_speed);
      this.sweep.push([test.measured, watts, radps > 1 ? watts / radps : NaN]);
    }
    for (const { read, ring } of this.followed.values()) ring.push(time, good(read(frame)), NaN);
  }

  rings() {
    return [this.engine, this.speed, this.power, this.held, ...[...this.followed.values()].map((one) => one.ring)];
  }

  /** Keep a short history of a reading from now on; `read` finds it in a frame. */
  follow(name, read) {
    if (!this.followed.has(name)) this.followed.set(name, { read, ring: new Strip() });
    return this.followed.get(name).ring;
  }

  rememberClimb(distance, grade) {
    const last = this.climb.at(-1);
    if (!last) this.climb.push([distance, 0]);
    else if (distance - last[0] >= Math.max(10, last[0] / 300)) {
      this.climb.push([distance, last[1] + ((distance - last[0]) * grade) / 100]);
    }
  }

  clearHistory() {
    for (const strip of this.rings()) strip.clear();
  }

  /** Milliseconds since the loop was last seen alive. */
  silentMs(now = performance.now()) {
    return now - this.loopAt;
  }

  /** Milliseconds since the readings on the page were measured, as far as the page can know. */
  ageMs(now = performance.now()) {
    return now - Math.min(this.loopAt, this.frameAt);
  }

  /** Readings are too old to be called live. */
  stale(now = performance.now()) {
    return this.ageMs(now) > STALE_MS;
  }

  /** Nobody knows whether state, helm and faults still hold. */
  silent(now = performance.now()) {
    return this.silentMs(now) > STALE_MS;
  }
}
