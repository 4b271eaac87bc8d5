// The power balance of a roll set: a part that is missing is missing, not zero.
import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./browser.mjs";

const { entries, worstQuality } = await page("components/ledger.js");
const { between } = await page("components/hill.js");

const of = (value, quality = "good") => ({ value, quality });

test("parts are force times speed and add up to the power", () => {
  const set = {
    speed: of(20),
    absorber_force: of(4000),
    loss_force: of(100),
    inertia_force: of(-50),
    power: of(81_000),
  };
  const parts = entries(set);
  assert.deepEqual(parts, { absorbed: 80_000, lost: 2000, inertia: -1000, tyres: 81_000 });
  assert.equal(parts.absorbed + parts.lost + parts.inertia, parts.tyres);
});

test("a missing reading makes its part null", () => {
  const set = {
    speed: of(20),
    absorber_force: of(4000, "missing"),
    loss_force: of(100),
    inertia_force: of(0),
    power: of(1),
  };
  assert.equal(entries(set).absorbed, null);
});

test("the worst quality of several readings stands for them", () => {
  assert.equal(worstQuality([of(1), of(1, "suspect"), of(1, "aging")]), "suspect");
  assert.equal(worstQuality([of(1), undefined]), "missing");
});

test("a road is linear between its points and level behind its end", () => {
  const road = [
    [0, 0],
    [100, 10],
    [200, 10],
  ];
  assert.equal(between(road, 50), 5);
  assert.equal(between(road, 900), 10);
});
