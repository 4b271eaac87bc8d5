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

const NAMES_DE = {
  front: "vorn", rear: "hinten", left: "links", right: "rechts", fan: "Lüfter",
  ambient: "Außen", temperature: "Temperatur", barometer: "Luftdruck", humidity: "Luftfeuchte",
  oil: "Öl", boost: "Ladedruck", smoke: "Rauch", opacity: "Trübung", rotor: "Rotor",
};

/** A name of the rig file (front-left, oil-temperature) as a person would write it. */
export function naturalName(name, capital = true) {
  let words = name.replace(/[-_]+/g, " ").split(" ");
  if (settings.get("language") === "de") words = words.map((word) => NAMES_DE[word] ?? word);
  const text = words.join(" ");
  return capital ? text.charAt(0).toUpperCase() + text.slice(1) : text;
}
