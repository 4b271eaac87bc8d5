// What the rig's computer says, in the reader's language and units. It sends English sentences with
// values filled in; the sentence as the program has it is the key, and from its pattern the values
// are found again. A sentence that is not known is shown as it came.

import { settings } from "../settings.js";
import { naturalName } from "../texts.js";
import { number, toShown, unitOf } from "../units.js";

// unit as sent: quantity, factor to SI, offset to SI
const UNITS = {
  "km/h": ["speed", 1 / 3.6, 0],
  "m/s": ["speed", 1, 0],
  N: ["force", 1, 0],
  kW: ["power", 1000, 0],
  kg: ["mass", 1, 0],
  kPa: ["pressure", 1000, 0],
  degC: ["temperature", 1, 273.15],
  "°C": ["temperature", 1, 273.15],
};
const UNIT = "km\\/h|m\\/s|kW|kPa|kg|degC|°C|N";
const HOLE = new RegExp(`\\{(\\d)\\}(?: (${UNIT})(?![\\w/]))?`, "g");
const FIGURE = new RegExp(`^([+−-]?[\\d,.]+)\\s?(${UNIT}|rpm|s|min|h|%)?$`);
const MOST_KEPT = 400;

// values that are words
const WORDS = {
  standstill: "Stillstand",
  "converter saturated": "Wandler gesättigt",
  "bridge open, shorted or without excitation": "Messbrücke offen, kurzgeschlossen oder ohne Speisung",
  "no conversion for 0.1 s": "0,1 s lang keine Wandlung",
  "count does not move": "Zählwert steht still",
  parked: "geparkt",
  ready: "bereit",
  loaded: "belastet",
  easing: "beim Entlasten",
  tripped: "ausgelöst",
  above: "über",
  below: "unter",
  somebody: "jemandem",
  "no vehicle": "keinem Fahrzeug",
  watch: "zusehen",
  operate: "bedienen",
  maintain: "verwalten",
  before: "vorher",
  after: "nachher",
  "before the change": "vor der Änderung",
  "after the change": "nach der Änderung",
  "a road load": "einen Fahrwiderstand",
  "nothing but losses": "nichts als die Verluste",
  "a route": "eine Strecke",
  "a speed trace": "einer Fahrkurve",
  speed: "Geschwindigkeit",
  load: "Last",
  high: "zu viel",
  low: "zu wenig",
  trace: "Fahrkurve",
  route: "Strecke",
  grade: "Steigung",
  refuse: "nicht starten",
  hold: "Last bleibt stehen",
  ease: "entlastet",
  trip: "ausgelöst",
  oil: "Öl",
  coolant: "Kühlmittel",
  rotor: "Rotor",
  rotors: "Rotoren",
};

let sentences = null; // null: not fetched
let plain = new Map(); // sentences without values
let patterns = [];
const kept = new Map();

const german = () => settings.get("language") === "de";

function compile(table) {
  sentences = table;
  plain = new Map();
  patterns = [];
  for (const [english, translated] of Object.entries(table)) {
    if (!english.includes("{")) {
      plain.set(english, translated);
      continue;
    }
    const literal = english.split(/\{\d\}/).map((part) => part.replace(/[.*+?^${}()|[\]\\]/g, "\\$&"));
    patterns.push({
      english,
      translated,
      weight: literal.join("").length,
      form: new RegExp(`^${literal.join("(.+?)")}$`),
    });
  }
  patterns.sort((a, b) => b.weight - a.weight); // the most telling first
}

/** Fetch the sentences; resolves when `said` can use them. */
export async function saidReady() {
  if (sentences) return;
  try {
    compile((await import("../texts/de-sentences.js")).SENTENCES);
    kept.clear();
  } catch {
    // the rig's computer is away: English as it came
  }
}

/** A figure of a sentence in the reader's unit, with as many decimals as it was sent with. */
function quantity(text, unit) {
  const figure = Number(text.replaceAll(",", "").replace("−", "-"));
  if (!Number.isFinite(figure)) return `${text} ${unit}`;
  const decimals = /\.(\d+)$/.exec(text)?.[1].length ?? 0;
  const known = UNITS[unit];
  if (!known) return `${number(figure, decimals)}${unit ? ` ${unit}` : ""}`;
  const [name, factor, offset] = known;
  const [sign, digits] = [/^\+/.test(text) ? "+" : "", unit === "kPa" ? Math.max(decimals, 1) : decimals];
  return `${sign}${number(toShown(name, figure * factor + offset), digits)} ${unitOf(name)}`;
}

/** A value as the reader wants it: a figure, a word, a name of the rig, a sentence within. */
function value(text) {
  const figure = FIGURE.exec(text);
  if (figure) return quantity(figure[1], figure[2] ?? "");
  if (/^(front|rear)(-(left|right))?$/.test(text)) return german() ? naturalName(text, false) : text;
  if (german()) {
    if (text in WORDS) return WORDS[text];
    if (/^\d+ of \d+$/.test(text)) return text.replace(" of ", " von ");
    const parts = text.split(", ");
    if (parts.length > 1 && parts.every((part) => part.length < 40)) return parts.map(value).join(", ");
  }
  if (/^[a-z]+(_[a-z0-9]+)+$/.test(text)) return naturalName(text.replace(/_(k|pa|n|w|mps|radps)$/, ""), false);
  return text.includes(" ") ? (find(text) ?? text) : text;
}

/** A sentence with its values in the reader's language and units; null when it is not known. */
function find(whole) {
  const exact = plain.get(whole);
  if (exact !== undefined) return german() ? exact : whole;
  for (const { english, translated, form } of patterns) {
    const found = form.exec(whole);
    if (found) {
      const text = german() ? translated : english;
      const told = text.replace(HOLE, (_, index, unit) =>
        unit ? quantity(found[Number(index) + 1], unit) : value(found[Number(index) + 1]),
      );
      const namesFile = /^\S+\.\w{2,4}: /.test(told); // a file keeps its name as it is
      return namesFile ? told : told.charAt(0).toUpperCase() + told.slice(1);
    }
  }
  // a detail in brackets, and several sentences in one
  const detailed = /^(.*?[.!?]) \(([^)]*)\)$/.exec(whole);
  if (detailed) return `${find(detailed[1]) ?? detailed[1]} (${value(detailed[2])})`;
  const several = whole.split(/(?<=[.!?]) (?=[A-Z'])/);
  return several.length > 1 ? several.map((one) => find(one) ?? one).join(" ") : null;
}

/** A sentence of the rig's computer in the reader's language and units. */
export function said(text) {
  const whole = (text ?? "").replace(/\u00a0/g, " ").trim();
  if (!sentences || !whole) return whole;
  const key = `${settings.get("language")}|${settings.get("units")}|${whole}`;
  if (!kept.has(key)) {
    if (kept.size > MOST_KEPT) kept.clear();
    kept.set(key, find(whole) ?? whole);
  }
  return kept.get(key);
}
