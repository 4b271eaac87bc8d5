// Sides of a comparison: means of repeats, mean power over the speeds that all runs share.
import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./browser.mjs";

const { areaMean, commonRange, meanOf } = await page("components/sides-table.js");
const { axisOf, ghostOf, peakOf } = await page("components/live-curve.js");

test("the mean over speed is that of the trapezoid rule, inside the range alone", () => {
  const curve = { x: [0, 10, 20, 30], value: [0, 10, 10, 100] };
  assert.equal(areaMean(curve, 10, 20), 10);
  assert.equal(areaMean(curve, 0, 20), 7.5);
  assert.equal(areaMean(curve, 5, 15), 8.75 + 0);
  assert.equal(areaMean(curve, 20, 40), null, "it does not reach that far");
});

test("a curve with a hole in the range has no mean there", () => {
  assert.equal(areaMean({ x: [0, 10, 20], value: [1, null, 1] }, 0, 20), null);
});

test("the common range is what every curve covers with values", () => {
  const curves = [
    { x: [0, 10, 20], value: [null, 1, 1] },
    { x: [5, 15, 30], value: [1, 1, 1] },
  ];
  assert.deepEqual(commonRange(curves), [10, 20]);
  assert.equal(
    commonRange([
      { x: [0, 1], value: [1, 1] },
      { x: [2, 3], value: [1, 1] },
    ]),
    null,
  );
});

test("the mean of repeats has a hole where one of them has", () => {
  assert.deepEqual(
    meanOf([
      [1, 2, null],
      [3, 4, 5],
    ]),
    [2, 3, null],
  );
});

test("a live curve marks its greatest point and takes a ghost over the same quantity only", () => {
  assert.deepEqual(
    peakOf(
      [
        [1, 5, 2],
        [2, NaN, 9],
        [3, 7, 1],
      ],
      1,
    ),
    [3, 7, 1],
  );
  assert.equal(peakOf([], 1), null);
  const power = { name: "power", x_unit: "rad/s", x: [1, 2], value: [5, null] };
  assert.deepEqual(ghostOf({ curves: [power] }, "rad/s"), [
    [1, 5, NaN],
    [2, NaN, NaN],
  ]);
  assert.deepEqual(ghostOf({ curves: [power] }, "m/s"), []);
  const axis = axisOf(1500, 2960, 5);
  assert.ok(axis.low <= 1500 && axis.high >= 2960 && (axis.high - axis.low) % axis.step === 0);
});
