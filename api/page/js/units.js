// SI to what a person reads: metric or US customary, by locale, always the same width of digits.
// The only place where units are converted on the page.

import { catalogue } from "./catalogue.js";
import { settings } from "./settings.js";

const RADPS_PER_RPM = Math.PI / 30;

// quantity: { metric, us } each [unit label, factor, offset, digits]
const TABLE = {
  speed: { metric: ["km/h", 3.6, 0, 1], us: ["mph", 1 / 0.44704, 0, 1] },
  force: { metric: ["N", 1, 0, 0], us: ["lbf", 1 / 4.4482216152605, 0, 0] },
  power: { metric: ["kW", 1e-3, 0, 1], us: ["hp", 1 / 745.6998715822702, 0, 1] },
  torque: { metric: ["N·m", 1, 0, 0], us: ["lbf·ft", 1 / 1.3558179483314, 0, 0] },
  temperature: { metric: ["°C", 1, -273.15, 0], us: ["°F", 1.8, -459.67, 0] },
  pressure: { metric: ["kPa", 1e-3, 0, 1], us: ["inHg", 1 / 3386.389, 0, 2] },
  acceleration: { metric: ["m/s²", 1, 0, 2], us: ["mph/s", 1 / 0.44704, 0, 2] },
  rotation: { metric: ["rpm", 1 / RADPS_PER_RPM, 0, 0], us: ["rpm", 1 / RADPS_PER_RPM, 0, 0] },
  current: { metric: ["A", 1, 0, 1], us: ["A", 1, 0, 1] },
  ratio: { metric: ["%", 100, 0, 1], us: ["%", 100, 0, 1] },
  mass: { metric: ["kg", 1, 0, 0], us: ["lb", 1 / 0.45359237, 0, 0] },
  height: { metric: ["m", 1, 0, 0], us: ["ft", 1 / 0.3048, 0, 0] },
  distance: { metric: ["km", 1e-3, 0, 2], us: ["mi", 1 / 1609.344, 0, 2] },
  energy: { metric: ["MJ", 1e-6, 0, 2], us: ["hp·h", 1 / 2684519.537696, 0, 2] },
  seconds: { metric: ["s", 1, 0, 2], us: ["s", 1, 0, 2] },
  percent: { metric: ["%", 1, 0, 1], us: ["%", 1, 0, 1] },
  voltage: { metric: ["V", 1, 0, 1], us: ["V", 1, 0, 1] },
  opacity: { metric: ["1/m", 1, 0, 2], us: ["1/m", 1, 0, 2] },
  rotation_rate: { metric: ["rpm/s", 1 / RADPS_PER_RPM, 0, 0], us: ["rpm/s", 1 / RADPS_PER_RPM, 0, 0] },
  road_rate: { metric: ["km/h/s", 3.6, 0, 2], us: ["mph/s", 1 / 0.44704, 0, 2] },
  plain: { metric: ["", 1, 0, 2], us: ["", 1, 0, 2] },
};

const BY_UNIT = {
  "m/s": "speed",
  N: "force",
  W: "power",
  "N.m": "torque",
  K: "temperature",
  Pa: "pressure",
  "m/s2": "acceleration",
  "rad/s": "rotation",
  A: "current",
  1: "ratio",
  kg: "mass",
  "1/m": "opacity",
  m: "distance",
  J: "energy",
  s: "seconds",
  "%": "percent",
  "rad/s/s": "rotation_rate",
  "m/s/s": "road_rate",
};

export const DASH = "–";

/** The quantity a unit of the telemetry stands for. */
export function quantityOf(unit) {
  return BY_UNIT[unit] ?? "plain";
}

function row(quantity) {
  return (TABLE[quantity] ?? TABLE.plain)[settings.get("units")];
}

const formats = new Map();

/** Number in the reader's locale with a fixed count of decimals. */
export function number(value, digits = 0, sign = false) {
  if (value === null || value === undefined || !Number.isFinite(value)) return DASH;
  const key = `${settings.locale}|${digits}|${sign}`;
  let format = formats.get(key);
  if (!format) {
    format = new Intl.NumberFormat(settings.locale, {
      minimumFractionDigits: digits,
      maximumFractionDigits: digits,
      useGrouping: "min2", // 1900 rpm reads faster without a comma
      signDisplay: sign ? "exceptZero" : "negative",
    });
    formats.set(key, format);
  }
  return format.format(value).replace("-", "−");
}

/** Its unit as the reader's language writes it. */
export function written(unit) {
  return catalogue().units[unit] ?? unit;
}

export function unitOf(quantity) {
  return written(row(quantity)[0]);
}

/** SI value in the reader's unit, as a number. */
export function toShown(quantity, si) {
  const [, factor, offset] = row(quantity);
  return si * factor + offset;
}

/** The reader's number in SI. */
export function toSi(quantity, shown) {
  const [, factor, offset] = row(quantity);
  return (shown - offset) / factor;
}

/** SI value as text without its unit. */
export function shown(quantity, si, digits) {
  if (si === null || si === undefined) return DASH;
  return number(toShown(quantity, si), digits ?? row(quantity)[3]);
}

/** SI value as text with its unit. */
export function withUnit(quantity, si, digits) {
  const unit = unitOf(quantity);
  return `${shown(quantity, si, digits)}${unit ? `\u00a0${unit}` : ""}`;
}

/** m:ss of a duration. */
export function clockTime(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return DASH;
  const whole = Math.max(0, Math.round(seconds));
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor((whole % 3600) / 60);
  const rest = String(whole % 60).padStart(2, "0");
  return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${rest}` : `${minutes}:${rest}`;
}

/** A UTC label in the reader's locale. */
export function dateTime(text) {
  const when = new Date(text);
  if (Number.isNaN(when.getTime())) return text || DASH;
  return new Intl.DateTimeFormat(settings.locale, { dateStyle: "medium", timeStyle: "short" }).format(when);
}
