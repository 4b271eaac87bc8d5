// Sentences of the rig's computer in the reader's language and units. An answer holds each in English
// and beside it, as NAME_message, its code and values; the catalogue of the language
// (texts/LANGUAGE.json) has the sentence by its code. daq/texts/message.py describes the places in a
// sentence and does the same for the command line.

import { catalogue, named } from "./catalogue.js";
import { DASH, number, quantityOf, toShown, unitOf } from "./units.js";
import { figureText } from "./words.js";

// ending of a value's name: quantity
const QUANTITIES = {
  n: "force",
  nm: "torque",
  w: "power",
  mps: "speed",
  mps2: "road_rate",
  k: "temperature",
  pa: "pressure",
  j: "energy",
  kg: "mass",
};
const DIGITS = {
  force: 0,
  torque: 0,
  power: 1,
  speed: 1,
  road_rate: 2,
  temperature: 1,
  pressure: 2,
  energy: 2,
  mass: 0,
};
const PLACE = /\{(\w+)(?::(\d*)([a-z+]*))?\}/g;

/** As many digits as a figure takes, at most `most`. */
function shortest(value, most) {
  const plain = Number(value.toPrecision(most));
  return number(plain, /\.(\d+)$/.exec(String(plain))?.[1].length ?? 0);
}

function figure(name, value, digits, form) {
  const quantity = QUANTITIES[name.slice(name.lastIndexOf("_") + 1)];
  let [shown, unit] = [value, ""];
  if (quantity) {
    unit = unitOf(quantity);
    shown = toShown(quantity, value) - (form.includes("d") ? toShown(quantity, 0) : 0);
  }
  if (form.includes("p")) [shown, unit] = [100 * shown, "%"];
  const free = form.includes("g") || (!digits && !quantity && !Number.isInteger(shown));
  const text = free ? shortest(shown, Number(digits || 6)) : number(shown, Number(digits || DIGITS[quantity] || 0));
  const signed = form.includes("+") && shown > 0 ? `+${text}` : text;
  return form.includes("b") || !unit ? signed : `${signed}\u00a0${unit}`;
}

/** A quantity whose SI unit stands beside it, with half of its interval where one is stated. */
function amount({ value, unit, half }, spread) {
  if (typeof value !== "number") return DASH;
  if (spread) {
    const quantity = quantityOf(unit);
    const shown = number(toShown(quantity, value) - toShown(quantity, 0), DIGITS[quantity] ?? 2);
    return `${shown}\u00a0${unitOf(quantity)}`;
  }
  const interval = typeof half === "number" ? { low: value - half, high: value + half } : { low: null, high: null };
  const shown = figureText({ name: "", value, unit, ...interval });
  return `${shown.value}${shown.half ? ` ± ${shown.half}` : ""}${shown.unit ? `\u00a0${shown.unit}` : ""}`;
}

function word(value, form) {
  if (form.includes("w")) return catalogue().words[value] ?? value;
  return form.includes("n") && Object.keys(catalogue().names).length ? named(value.replace(/[-_]/g, " ")) : value;
}

function filled(name, value, digits, form) {
  if (Array.isArray(value)) {
    const how = (index) => (typeof value[index] === "number" && index < value.length - 1 ? `b${form}` : form);
    return value.map((one, index) => filled(name, one, digits, how(index))).join(form.includes("s") ? " " : ", ");
  }
  if (value === null || value === undefined) return DASH;
  if (typeof value === "object") return render(value) ?? value.code;
  return typeof value === "string" ? word(value, form) : figure(name, Number(value), digits, form);
}

/** A sentence by its code and values; null when the catalogue does not know it. */
function render(message) {
  const template = catalogue().messages[message.code];
  if (template === undefined) return null;
  return template.replace(PLACE, (_, name, digits = "", form = "") =>
    form.includes("u") ? amount(message.values, form.includes("d")) : filled(name, message.values[name], digits, form),
  );
}

/** The same at the head of a line: a name or a word that begins it gets its capital. */
function line(message) {
  const text = render(message);
  const begins = /^\{\w+:\d*[a-z]*[nw]/.test(catalogue().messages[message.code] ?? "");
  return text && begins ? text.charAt(0).toUpperCase() + text.slice(1) : text;
}

/** The sentence `name` of an answer in the reader's language; what is plain text stays as it is. */
export function told(answer, name) {
  const message = answer?.[`${name}_message`];
  return (message && line(message)) ?? answer?.[name] ?? "";
}

/** The same for a list of sentences. */
export function toldAll(answer, name) {
  const messages = answer?.[`${name}_messages`];
  return (answer?.[name] ?? []).map((text, index) => (messages?.[index] && line(messages[index])) ?? text);
}
