// Plans as a person types them: the reader's units in, SI out, one problem or one plan.
import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";
import { page } from "./browser.mjs";

const { settings } = await page("settings.js");
const { KINDS, makePlan, readTrace, setEngineRange, steps, words, written } = await page("kinds/index.js");

beforeEach(() => {
  settings.set("language", "en");
  settings.set("units", "metric");
});

test("an engine speed beyond the vehicle's is told with its range, before the rig refuses it", () => {
  const typed = { ...written("steady-hold"), by: "rpm", rpm: "2400" };
  setEngineRange({ idle_rpm: 600, max_rpm: 2300, vehicle: "Semi" });
  const { plan, problem } = makePlan("steady-hold", typed);
  assert.equal(plan, null);
  assert.match(problem, /600.*2.?300/);
  setEngineRange({ idle_rpm: 500, max_rpm: 5000, vehicle: "" });
  assert.equal(makePlan("steady-hold", typed).problem, null);
});

test("every kind starts from a form that makes a plan, in both unit systems", () => {
  for (const units of ["metric", "us"]) {
    settings.set("units", units);
    for (const kind of Object.keys(KINDS)) {
      const { plan, problem } = makePlan(kind, written(kind));
      assert.ok(plan === null ? problem : plan.kind === kind, `${kind} in ${units}: ${problem}`);
    }
  }
});

test("a figure out of its range is refused with the range in the reader's unit", () => {
  const { plan, problem } = makePlan("steady-hold", { ...written("steady-hold"), by: "speed", speed: "400" });
  assert.equal(plan, null);
  assert.match(problem, /288/); // 80 m/s
});

test("an empty field is no zero", () => {
  assert.equal(makePlan("steady-hold", { ...written("steady-hold"), minutes: "" }).plan, null);
});

test("a comma is a decimal point", () => {
  const { plan } = makePlan("steady-hold", { ...written("steady-hold"), minutes: "1,5" });
  assert.equal(plan.seconds, 90);
});

test("steps end at the end", () => {
  assert.deepEqual(steps(1500, 3000, 600), [1500, 2100, 2700, 3000]);
  assert.deepEqual(steps(3000, 1500, 600), [3000, 2400, 1800, 1500]);
});

test("a trace is read line by line, comments left out", () => {
  assert.deepEqual(readTrace("# s v\n0 0\n10; 36\n20,72"), [
    [0, 0],
    [10, 10],
    [20, 20],
  ]);
  assert.ok(Number.isNaN(readTrace("5")[0][1]));
});

test("a limit on a channel goes into the plan in SI, and without a number there is no plan", () => {
  const limit = { channel: "oil-temperature", unit: "K", side: "above", value: "120", does: "ease" };
  words.limits.push(limit);
  const { plan } = makePlan("steady-hold", written("steady-hold"));
  assert.equal(plan.limits.length, 1);
  assert.deepEqual({ ...plan.limits[0], above: 0 }, { channel: "oil-temperature", unit: "K", above: 0, does: "ease" });
  assert.ok(Math.abs(plan.limits[0].above - 393.15) < 1e-9);
  limit.value = "hot";
  assert.equal(makePlan("steady-hold", written("steady-hold")).plan, null);
  words.limits.length = 0;
});
