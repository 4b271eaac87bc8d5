// Labels and sentences in the reader's language and units, from the catalogues as the service has them.
import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";
import { page } from "./browser.mjs";

const { settings } = await page("settings.js");
const { catalogueReady } = await page("catalogue.js");
const { naturalName, t } = await page("texts.js");
const { labelOf } = await page("words.js");
const { told, toldAll } = await page("messages.js");

const AMOUNT = { code: "amount", values: { value: 223710, unit: "W", half: 745.7 } };
const ANSWER = { code: "answer-coast", values: { time: AMOUNT, force: AMOUNT, level: 0.95 } };

async function reads(language, units = "metric") {
  settings.set("language", language);
  settings.set("units", units);
  await catalogueReady();
}

beforeEach(() => reads("en"));

test("labels are those of the reader's language", async () => {
  assert.equal(t("settings.units"), "Units");
  await reads("de");
  assert.equal(t("settings.units"), "Einheiten");
  assert.equal(t("no.such.label"), "no.such.label");
});

test("names of the rig and labels of results are told in the language", async () => {
  assert.equal(naturalName("oil-temperature"), "Oil temperature");
  assert.equal(labelOf("highest wheel power"), "Highest wheel power");
  await reads("de");
  assert.equal(naturalName("rear-left"), "Hinten links");
  assert.equal(naturalName("oil-temperature"), "Öltemperatur");
  assert.equal(labelOf("Highest wheel power"), "Größte: Radleistung");
  assert.equal(labelOf("front-left: cell zero"), "Vorn links: Null der Zelle");
});

test("a sentence holds sentences and quantities in the reader's units", async () => {
  const spaced = (text) => text.replaceAll("\u00a0", " ");
  const gained = { code: "relative-change", values: { change: 0.019, low: -0.007, high: 0.031, level: 0.95 } };
  const answer = { text: "as it came", text_message: { code: "gained", values: { answer: gained } } };
  assert.equal(spaced(told(answer, "text")), "Gained: +1.9 % (−0.7 to +3.1 %, 95 % interval).");
  await reads("en", "us");
  const coast = spaced(told({ text: "", text_message: ANSWER }, "text"));
  assert.match(coast, /mean force 300\.0 ± 1\.0 hp \(95 % interval\)\.$/);
  await reads("de");
  const map = { code: "asked-map", values: { points_mps: [20, 25] } };
  assert.equal(
    spaced(told({ text: "", text_message: map }, "text")),
    "Einen Punkt nach dem anderen halten: 72, 90 km/h.",
  );
});

test("what an older version wrote stays as it is", () => {
  assert.equal(told({ text: "Held at 12 N." }, "text"), "Held at 12 N.");
  assert.deepEqual(toldAll({ void: ["As it was."] }, "void"), ["As it was."]);
  assert.equal(told({}, "text"), "");
});
