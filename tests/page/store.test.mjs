// What may be called live: only a front-end clock that was seen to advance.
import assert from "node:assert/strict";
import { test } from "node:test";
import { clock, page } from "./browser.mjs";

const { STALE_MS, Store, Strip } = await page("store.js");

const reading = (value, quality = "good") => ({ value, unit: "m/s", quality });
const frame = (time_s, speed = 20) => ({
  time_s,
  roll_sets: [{ name: "front", speed: reading(speed), power: reading(1000) }],
  engine_speed: reading(200),
});
const message = (time_s, more = {}) => ({
  state: "ready",
  time_s,
  age_s: 0,
  sent_s: 7000 + time_s,
  measured: frame(time_s),
  test: null,
  ...more,
});

function opened() {
  const store = new Store();
  store.take(message(1), 1);
  return store;
}

test("the first message of a line is a baseline and not live", () => {
  clock.now = 1000;
  const store = new Store();
  assert.equal(store.take(message(1), 1), false);
  assert.ok(store.stale());
});

test("a frame that advances is live, and stale once it is too old", () => {
  clock.now = 1000;
  const store = opened();
  clock.now = 1040;
  assert.equal(store.take(message(1.04), 1), true);
  assert.equal(store.stale(), false);
  clock.now += STALE_MS + 1;
  assert.ok(store.stale());
});

test("the same frame sent again never becomes fresh", () => {
  clock.now = 1000;
  const store = opened();
  clock.now = 1040;
  store.take(message(1.04), 1);
  for (clock.now = 1080; clock.now < 2000; clock.now += 40)
    store.take(message(1.04, { sent_s: 7000 + clock.now / 1000 }), 1);
  assert.ok(store.stale(), "a loop that answers with an old frame shows old figures");
  assert.equal(store.silent(), false, "the loop itself is heard");
});

test("a backlog that arrives at once is as old as it is", () => {
  clock.now = 1000;
  const store = opened();
  clock.now = 1040;
  store.take(message(1.04), 1);
  clock.now = 4040; // three seconds later the frame of 1.08 s comes
  store.take(message(1.08), 1);
  assert.ok(store.ageMs() > 2900);
});

test("a front end whose clock stood still for a while is live again with its first new frames", () => {
  clock.now = 1000;
  const store = opened();
  for (let at = 40; at <= 400; at += 40) {
    clock.now = 31000 + at; // half a minute without power; its clock goes on from where it was
    store.take(message(1 + at / 1000, { sent_s: 7031 + at / 1000 }), 1);
  }
  assert.equal(store.stale(), false);
});

test("what lay in the line of a computer that was started anew is measured by its new clock", () => {
  clock.now = 100000;
  const store = opened();
  clock.now = 200000;
  store.take(message(3, { sent_s: 20 }), 2);
  clock.now = 200040;
  store.take(message(3.04, { sent_s: 20.04 }), 2);
  assert.equal(store.stale(), false);
});

test("after a reconnect the first message is a baseline again", () => {
  clock.now = 1000;
  const store = opened();
  clock.now = 1040;
  store.take(message(1.04), 1);
  clock.now = 1080;
  assert.equal(store.take(message(1.08), 2), false);
});

test("readings that the service blanked for their age stay, grey", () => {
  clock.now = 1000;
  const store = opened();
  clock.now = 1040;
  store.take(message(1.04), 1);
  clock.now = 1080;
  store.take(message(1.08, { stale: true, measured: frame(1.04, null) }), 1);
  assert.equal(store.telemetry.measured.roll_sets[0].speed.value, 20);
});

test("a strip keeps its newest points in order", () => {
  const strip = new Strip();
  for (let at = 0; at < 3500; at += 1) strip.push(at, at, Number.NaN);
  const seen = [];
  strip.each(3490, (time) => seen.push(time));
  assert.deepEqual(seen, [3490, 3491, 3492, 3493, 3494, 3495, 3496, 3497, 3498, 3499]);
  assert.equal(strip.latest, 3499);
});
