// The line from rolling on to a result: what is done, what comes next.
import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./browser.mjs";

const { stepsOf } = await page("components/steps.js");

const next = (telemetry, state, ours) =>
  stepsOf(telemetry, state, ours)
    .filter(([, how]) => how === "next")
    .map(([name]) => name);

test("one step comes next, in the order of the work", () => {
  const telemetry = { acknowledged: false, zeros_missing: ["a"], ratio_known: false, last_end: null };
  assert.deepEqual(next(telemetry, "parked", false), ["helm"]);
  assert.deepEqual(next(telemetry, "parked", true), ["cautions"]);
  telemetry.acknowledged = true;
  assert.deepEqual(next(telemetry, "parked", true), ["zero"]);
  telemetry.zeros_missing = [];
  assert.deepEqual(next(telemetry, "parked", true), ["ready"]);
  assert.deepEqual(next(telemetry, "ready", true), ["test"], "a gear ratio is never asked for");
  telemetry.last_end = { run_id: "x" };
  assert.deepEqual(next(telemetry, "ready", true), ["look"]);
});

test("while a test runs, or nobody knows, nothing is next", () => {
  const telemetry = { acknowledged: true, zeros_missing: [], last_end: null };
  for (const state of ["loaded", "easing", "tripped", "unknown"]) assert.deepEqual(next(telemetry, state, true), []);
});
