// All texts come from one catalogue per language; a missing one shows in English, and a test keeps
// the catalogues equal. Texts that the rig's computer sends are shown as they come, unless known.

import { settings } from "./settings.js";
import { en } from "./texts/en.js";
import { de } from "./texts/de.js";

const CATALOGUES = { en, de };

function find(key) {
  return CATALOGUES[settings.get("language")]?.[key] ?? en[key];
}

/** Text for a key, `{name}` filled in. */
export function t(key, values) {
  const text = find(key) ?? key;
  if (!values) return text;
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
}

/** Text for a key, or the fallback the rig's computer sent. */
export function tOr(key, fallback) {
  return find(key) ?? fallback;
}

// names whose words make one word in German
const WHOLE_DE = {
  "ambient temperature": "Außentemperatur",
  "oil temperature": "Öltemperatur",
  "intake temperature": "Ansauglufttemperatur",
  "coolant temperature": "Kühlmitteltemperatur",
  "exhaust temperature": "Abgastemperatur",
  "smoke opacity": "Rauchtrübung",
  "engine speed": "Motordrehzahl",
  "set point": "Sollwert",
  "tractive force": "Zugkraft",
  "fuel rate": "Kraftstoffmenge",
  "boost pressure": "Ladedruck",
  "oil pressure": "Öldruck",
};
const WHOLE = new RegExp(`\\b(${Object.keys(WHOLE_DE).join("|")})\\b`, "g");

const NAMES_DE = {
  front: "vorn",
  rear: "hinten",
  left: "links",
  right: "rechts",
  fan: "Lüfter",
  ambient: "Außen",
  temperature: "Temperatur",
  barometer: "Luftdruck",
  humidity: "Luftfeuchte",
  oil: "Öl",
  boost: "Ladedruck",
  smoke: "Rauch",
  opacity: "Trübung",
  rotor: "Rotor",
  power: "Leistung",
  speed: "Geschwindigkeit",
  force: "Kraft",
  torque: "Moment",
  acceleration: "Beschleunigung",
  current: "Strom",
  pressure: "Druck",
  intake: "Ansaugluft",
  loss: "Verlust",
  inertia: "Trägheit",
  time: "Zeit",
  turns: "dreht",
  cell: "Zelle",
  ratio: "Übersetzung",
  point: "Punkt",
  mean: "Mittel",
  settled: "eingeschwungen",
  spread: "Streuung",
  valid: "gültig",
  snap: "Gasstoß",
  peak: "Spitze",
  from: "von",
  to: "bis",
};

/** Lower case within a line, where the language does so. */
export function lower(text) {
  return settings.get("language") === "de" ? text : text.toLowerCase();
}

/** A name of the rig file (front-left, oil-temperature) as a person would write it. */
export function naturalName(name, capital = true) {
  let text = name.replace(/[-_]+/g, " ");
  if (settings.get("language") === "de") {
    text = text
      .replace(WHOLE, (words) => WHOLE_DE[words])
      .split(" ")
      .map((word) => NAMES_DE[word] ?? word)
      .join(" ");
  }
  return capital ? text.charAt(0).toUpperCase() + text.slice(1) : text;
}
