// Units on the page against the factors of NIST SP 811 (2008), appendix B.8.
import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";
import { page } from "./browser.mjs";

const { settings } = await page("settings.js");
const { clockTime, number, quantityOf, toShown, toSi, withUnit } = await page("units.js");

beforeEach(() => {
  settings.set("language", "en");
  settings.set("units", "metric");
});

const PUBLISHED = [
  ["power", 745.6999, 1], // horsepower (550 ft lbf/s)
  ["force", 4.448222, 1], // pound-force
  ["torque", 1.355818, 1], // pound-force foot
  ["speed", 0.44704, 1], // mile per hour
  ["mass", 0.4535924, 1], // pound
  ["pressure", 3386.389, 1], // inch of mercury at 32 degrees Fahrenheit
  ["distance", 1609.344, 1], // mile
  ["temperature", 273.15, 32], // degree Fahrenheit
  ["temperature", 373.15, 212],
];

test("US units are those that NIST publishes, both ways", () => {
  settings.set("units", "us");
  for (const [quantity, si, us] of PUBLISHED) {
    assert.ok(Math.abs(toShown(quantity, si) - us) < 1e-6 * Math.max(1, us), quantity);
    assert.ok(Math.abs(toSi(quantity, us) - si) < 1e-6 * si, quantity);
  }
});

test("a missing value is a dash and never a zero", () => {
  assert.equal(withUnit("power", null), "–\u00a0kW");
  assert.equal(number(Number.NaN), "–");
  assert.equal(clockTime(null), "–");
});

test("a negative figure that rounds to zero has no sign", () => {
  assert.equal(number(-0.04, 1), "0.0");
  assert.equal(number(-0.06, 1), "−0.1");
});

test("numbers follow the reader's language", () => {
  assert.equal(number(12345.6, 1), "12,345.6");
  settings.set("language", "de");
  assert.equal(number(12345.6, 1), "12.345,6");
  assert.equal(number(1900), "1900");
});

test("a duration is minutes and seconds, with hours when there are any", () => {
  assert.equal(clockTime(59.6), "1:00");
  assert.equal(clockTime(3725), "1:02:05");
});

test("a unit of the telemetry that is not known stays plain", () => {
  assert.equal(quantityOf("rad/s"), "rotation");
  assert.equal(quantityOf("furlong"), "plain");
});
