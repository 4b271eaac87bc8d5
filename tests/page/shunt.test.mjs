// The mean of a cell's readings for a shunt check.
import assert from "node:assert/strict";
import { test } from "node:test";
import { clock, page } from "./browser.mjs";

const { meanForce } = await page("components/shunt-form.js");

/** A store whose cell gives another reading each time that somebody looks. */
function storeOf(quality, advance = 0.01) {
  let time = 0;
  return {
    get telemetry() {
      time += advance;
      clock.now += 50;
      const reading = { value: 100 + (Math.round(time / 0.01) % 2 ? 1 : -1), quality, time_s: time };
      return { measured: { absorbers: [{ name: "front-left", cell_force: reading }] } };
    },
  };
}

test("good readings make a mean", async () => {
  const mean = await meanForce(storeOf("good"), "front-left", 1.5);
  assert.ok(Math.abs(mean - 100) < 0.2, String(mean));
});

test("readings that stand still, are not good, or of no such cell make none", async () => {
  const found = [
    await meanForce(storeOf("good", 0), "front-left", 1.5),
    await meanForce(storeOf("suspect"), "front-left", 1.5),
    await meanForce(storeOf("good"), "rear-left", 1.5),
  ];
  assert.deepEqual(found, [null, null, null]);
});
