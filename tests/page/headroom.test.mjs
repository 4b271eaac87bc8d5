// Whether the heat lasts for the running test, in words that do not flicker.
import assert from "node:assert/strict";
import { test } from "node:test";
import { page } from "./browser.mjs";

const { forTest, heatNow, Verdict } = await page("components/headroom.js");

const running = (left) => ({ total_s: 100, elapsed_s: 100 - left });
const first = { name: "a", headroom_s: 60, headroom_low_s: 40, headroom_high_s: 90 };

test("the least sure absorber decides whether the heat lasts for what is left of the test", () => {
  assert.deepEqual(forTest(running(10), first, false), { verdict: "enough", spare_s: 30, left_s: 10 });
  assert.equal(forTest(running(60), first, false).verdict, "unsure");
  assert.equal(forTest(running(95), first, false).verdict, "short");
});

test("an open upper end is never called not enough, and no limit in sight is enough", () => {
  assert.equal(forTest(running(95), { ...first, headroom_high_s: null }, false).verdict, "unsure");
  assert.equal(forTest(running(95), null, false).verdict, "enough");
});

test("without a test, without its end, or without a known temperature nothing is promised", () => {
  assert.equal(forTest(null, first, false), null);
  assert.equal(forTest({ total_s: null, elapsed_s: 3 }, first, false), null);
  assert.equal(forTest(running(10), null, true), null);
});

test("a verdict that is gone within two seconds is never shown", () => {
  const verdict = new Verdict();
  const [enough, short] = [{ verdict: "enough" }, { verdict: "short" }];
  assert.equal(verdict.of(enough, 0), enough);
  assert.equal(verdict.of(short, 100), enough);
  assert.equal(verdict.of(short, 1900), enough);
  assert.equal(verdict.of(enough, 2000), enough);
  assert.equal(verdict.of(short, 2100), enough);
  assert.equal(verdict.of(short, 4200), short);
  assert.equal(verdict.of(null, 4300), null, "the test is over");
});

test("a minute of headroom alarms in a long hold and not in a sweep of ten seconds", () => {
  const absorbers = [{ ...first, rotor_k: 500 }];
  assert.equal(heatNow({ absorbers, test: running(10) }, new Verdict(), 0).level, "calm");
  assert.equal(heatNow({ absorbers, test: running(95) }, new Verdict(), 0).level, "last");
  assert.equal(heatNow({ absorbers, test: null }, new Verdict(), 0).level, "soon");
});
