// The test kinds as a person plans them: fields in the reader's units in, one plan in SI out.
// Data flows from here to /api/rehearse and /api/test/start; the rig checks every plan again.

import { settings } from "../settings.js";
import { t } from "../texts.js";
import { number, quantityOf, toShown, toSi, unitOf, written as unitText } from "../units.js";

const METRIC = () => settings.get("units") === "metric";
const kept = new Map(); // what was typed, per kind, until the page is left
// typed for whichever test comes next; a limit: {channel, unit, side, value, does}
/** @type {{vehicle: string, note: string, limits: any[]}} */
export const words = { vehicle: "", note: "", limits: [] };
let chosen = "steady-hold";
export const lastKind = () => chosen;
export const chooseKind = (kind) => {
  chosen = kind;
};

/** Engine speeds that a plan may ask for: of the vehicle on the rolls, "" the rig's default. */
let engine = { idle_rpm: 1, max_rpm: 10_000, vehicle: "" };
export const engineRange = () => engine;
export const setEngineRange = (range) => {
  engine = range ?? engine;
};

/** A number field. `quantity` decides its unit; `start` is in that unit: [metric, US]. */
const field = (name, quantity, start, low, high, more = {}) => ({ name, quantity, start, low, high, ...more });
const by = (...options) => ({ name: "by", choice: options });

const rpm = (name, start, more) =>
  field(name, "rotation", [start, start], 1, 10_000, { when: ["by", "rpm"], engine: true, ...more });
const speed = (name, metric, us, more) =>
  field(name, "speed", [metric, us], 0.01, 80, { when: ["by", "speed"], ...more });
const seconds = (name, start, low, high, more) => field(name, "seconds", [start, start], low, high, more);

const TRUCK = [
  field("a", "force", [226, 51], -20_000, 20_000, { group: "truck" }),
  field("b", "drag1", [0.44, 0.16], -2000, 2000, { group: "truck" }),
  field("c", "drag2", [0.073, 0.0426], -50, 50, { group: "truck" }),
  field("mass", "mass", [3600, 8000], 1, 100_000, { group: "truck" }),
  field("trailer", "mass", [0, 0], 0, 60_000, { group: "truck" }),
];

export const KINDS = {
  "steady-hold": {
    fields: [
      by("rpm", "speed", "force", "power"),
      rpm("rpm", 1900),
      speed("speed", 80, 50),
      field("force", "force", [4000, 900], 0.1, 100_000, { when: ["by", "force"] }),
      field("power", "power", [150, 200], 1, 2_000_000, { when: ["by", "power"] }),
      field("minutes", "minutes", [3, 3], 0.01, 120),
      seconds("settle", 10, 0, 600, { more: true }),
      { name: "until_heat", tick: true },
      { name: "aim", choice: ["none", "watts", "hill"] },
      field("aim_power", "power", [150, 200], 1, 2_000_000, { when: ["aim", "watts"] }),
      field("aim_grade", "percent", [6, 6], -35, 35, { when: ["aim", "hill"] }),
      ...TRUCK.map((one) => ({ ...one, when: ["aim", "hill"] })),
    ],
    truck: (v) => v.aim === "hill",
    plan: (v) => ({
      ...held(v),
      ...(v.aim === "watts" ? { target_power_w: v.aim_power } : {}),
      ...(v.aim === "hill" ? { target_grade: { vehicle: truck(v), percent: v.aim_grade } } : {}),
      seconds: Math.round(v.minutes * 60),
      settle_s: v.settle,
      until_heat_limit: v.until_heat,
    }),
    wrong: (v) =>
      v.settle >= v.minutes * 60
        ? t("plan.wrong.settle")
        : v.aim !== "none" && !["rpm", "speed"].includes(v.by)
          ? t("plan.wrong.aim")
          : "",
    seconds: (p) => p.seconds,
  },
  "stepped-map": {
    fields: [
      by("rpm", "speed"),
      rpm("from_rpm", 1500),
      rpm("to_rpm", 3000),
      rpm("every_rpm", 300, { engine: false }),
      speed("from_speed", 50, 30),
      speed("to_speed", 100, 60),
      speed("every_speed", 10, 5),
      seconds("average", 10, 0.1, 600),
      seconds("settle", 3, 0.1, 120, { more: true }),
      seconds("timeout", 60, 1, 600, { more: true }),
    ],
    plan: (v) => ({
      ...(v.by === "rpm"
        ? { points_rpm: steps(v.from_rpm, v.to_rpm, v.every_rpm) }
        : { points_mps: steps(v.from_speed, v.to_speed, v.every_speed) }),
      settle_s: v.settle,
      average_s: v.average,
      timeout_s: v.timeout,
    }),
    wrong: (v) => {
      const count = (
        v.by === "rpm" ? steps(v.from_rpm, v.to_rpm, v.every_rpm) : steps(v.from_speed, v.to_speed, v.every_speed)
      ).length;
      return count > 60 ? t("plan.wrong.points", { n: number(60) }) : "";
    },
    seconds: (p) => (p.points_rpm ?? p.points_mps).length * (p.average_s + p.settle_s + 6),
  },
  "power-sweep": {
    fields: [
      by("rpm", "speed"),
      rpm("from_rpm", 1500),
      rpm("to_rpm", 3000),
      field("rpm_per_s", "rpm_s", [150, 150], 0.1, 2000, { when: ["by", "rpm"] }),
      speed("from_speed", 60, 35),
      speed("to_speed", 120, 75),
      field("speed_per_s", "acceleration_road", [5, 3], 0.01, 5, { when: ["by", "speed"] }),
      seconds("full_pedal", 2, 0, 30, { more: true }),
    ],
    plan: (v) => ({
      ...(v.by === "rpm"
        ? { from_rpm: v.from_rpm, to_rpm: v.to_rpm, rpm_per_s: v.rpm_per_s }
        : { from_mps: v.from_speed, to_mps: v.to_speed, mps_per_s: v.speed_per_s }),
      full_pedal_s: v.full_pedal,
    }),
    wrong: (v) =>
      (v.by === "rpm" ? v.from_rpm === v.to_rpm : v.from_speed === v.to_speed) ? t("plan.wrong.same") : "",
    seconds: (p) =>
      (p.rpm_per_s ? Math.abs(p.to_rpm - p.from_rpm) / p.rpm_per_s : Math.abs(p.to_mps - p.from_mps) / p.mps_per_s) +
      p.full_pedal_s +
      5,
  },
  "spool-up": {
    fields: [
      by("rpm", "speed"),
      rpm("rpm", 1500),
      speed("speed", 60, 35),
      field("light", "force", [600, 135], 0, 20_000),
      { name: "after", choice: ["speed", "load"] },
      seconds("watch", 6, 0.1, 60),
      seconds("settle", 3, 0.1, 60, { more: true }),
    ],
    plan: (v) => ({ ...held(v), light_force_n: v.light, after: v.after, seconds: v.watch, settle_s: v.settle }),
    seconds: (p) => p.seconds + p.settle_s + 10,
  },
  "grade-climb": {
    fields: [
      { name: "road", choice: ["grade", "route"] },
      { name: "route", file: true, when: ["road", "route"] },
      field("grade", "percent", [6, 6], -100, 100, { when: ["road", "grade"] }),
      speed("target", 64, 40, { when: null }),
      field("distance", "distance", [5, 3], 1, 500_000, { when: ["road", "grade"] }),
      field("keep", "speed", [4, 2], 0.01, 10, { more: true }),
      ...TRUCK,
    ],
    truck: true,
    plan: (v) => ({
      vehicle: truck(v),
      target_mps: v.target,
      keep_mps: v.keep,
      ...(v.road === "route"
        ? { grade: { by_distance: v.route.points } }
        : { grade: { percent: v.grade }, distance_m: v.distance }),
    }),
    wrong: (v) => (v.road === "route" && !v.route ? t("plan.wrong.route") : ""),
    seconds: (p) => (p.distance_m ?? p.grade.by_distance.at(-1)[0]) / p.target_mps,
  },
  "speed-trace": {
    fields: [
      { name: "trace", lines: true },
      field("band", "speed", [3.2, 2], 0.01, 5, { more: true, digits: 1 }),
      field("grade", "percent", [0, 0], -100, 100),
      ...TRUCK,
    ],
    truck: true,
    plan: (v) => ({ vehicle: truck(v), points: v.trace, band_mps: v.band, grade: { percent: v.grade } }),
    wrong: (v) => traceProblem(v.trace),
    seconds: (p) => p.points.at(-1)[0] - p.points[0][0] + 10,
  },
  coastdown: {
    fields: [
      speed("from_speed", 100, 60, { when: null }),
      speed("to_speed", 30, 20, { when: null }),
      speed("interval", 10, 10, { when: null, more: true }),
      { name: "against", choice: ["losses", "force", "road"] },
      field("force", "force", [400, 90], 0.1, 100_000, { when: ["against", "force"] }),
      ...TRUCK.map((one) => ({ ...one, when: ["against", "road"] })),
    ],
    truck: (v) => v.against === "road",
    plan: (v) => ({
      from_mps: v.from_speed,
      to_mps: v.to_speed,
      interval_mps: v.interval,
      ...(v.against === "force" ? { force_n: v.force } : v.against === "road" ? { vehicle: truck(v) } : {}),
    }),
    wrong: (v) => (v.to_speed >= v.from_speed ? t("plan.wrong.falls") : ""),
    seconds: () => null,
  },
  "snap-smoke": {
    fields: [
      seconds("idle", 10, 5, 40),
      seconds("probe", 15, 0, 300),
      field("most", "count", [9, 9], 3, 9, { more: true }),
    ],
    plan: (v) => ({ idle_s: v.idle, probe_s: v.probe, most_snaps: Math.round(v.most) }),
    seconds: (p) => 2 * p.probe_s + 3 * (p.idle_s + 5) + 20,
  },
  identification: {
    fields: [
      speed("from_speed", 100, 62, { when: null }),
      speed("to_speed", 11, 7, { when: null }),
      seconds("step", 0.5, 0.2, 5),
      field("coasts", "count", [2, 2], 1, 4),
    ],
    plan: (v) => ({ from_mps: v.from_speed, to_mps: v.to_speed, step_s: v.step, coasts: Math.round(v.coasts) }),
    wrong: (v) => (v.to_speed > 0.7 * v.from_speed ? t("plan.wrong.short") : ""),
    seconds: () => null,
  },
};

const RPM = 1; // plans take rev/min as they are

// quantities of the form that the readings do not have: unit, factor from shown to SI
const OWN = {
  rotation: () => ["rpm", RPM],
  rpm_s: () => ["rpm/s", 1],
  seconds: () => ["s", 1],
  minutes: () => ["min", 1],
  percent: () => ["%", 1],
  count: () => ["", 1],
  distance: () => (METRIC() ? ["km", 1000] : ["mi", 1609.344]),
  acceleration_road: () => (METRIC() ? ["km/h/s", 1 / 3.6] : ["mph/s", 0.44704]),
  drag1: () => (METRIC() ? ["N/(km/h)", 3.6] : ["lbf/mph", 4.4482216152605 / 0.44704]),
  drag2: () => (METRIC() ? ["N/(km/h)²", 3.6 ** 2] : ["lbf/mph²", 4.4482216152605 / 0.44704 ** 2]),
};

export function unitFor(quantity) {
  return OWN[quantity] ? unitText(OWN[quantity]()[0]) : unitOf(quantity);
}

function toPlan(quantity, shown) {
  return OWN[quantity] ? shown * OWN[quantity]()[1] : toSi(quantity, shown);
}

function fromPlan(quantity, si) {
  return OWN[quantity] ? si / OWN[quantity]()[1] : toShown(quantity, si);
}

function held(v) {
  return {
    rpm: { rpm: v.rpm },
    speed: { speed_mps: v.speed },
    force: { force_n: v.force },
    power: { power_w: v.power },
  }[v.by];
}

function truck(v) {
  return {
    a_n: v.a,
    b_n_per_mps: v.b,
    c_n_per_mps2: v.c,
    mass_kg: v.mass,
    trailer_kg: v.trailer,
    trailer_tyres: v.trailer > 0 ? 4 : 0,
  };
}

/** From, in steps, to and with the end. */
export function steps(from, to, every) {
  const count = Math.max(0, Math.floor(Math.abs(to - from) / every + 1e-9));
  if (!Number.isFinite(count) || count > 1000) return Array.from({ length: 61 });
  const points = Array.from({ length: count + 1 }, (_, index) => from + Math.sign(to - from) * index * every);
  if (Math.abs(points.at(-1) - to) > 1e-6) points.push(to);
  return points;
}

function traceProblem(points) {
  if (points.length < 2) return t("plan.wrong.trace");
  return points.some(([s, v], index) => !Number.isFinite(s) || !(v >= 0) || (index > 0 && s <= points[index - 1][0]))
    ? t("plan.wrong.trace")
    : "";
}

/** Lines "seconds speed" as points (s, m/s); what is no pair of numbers makes an unusable point. */
export function readTrace(text) {
  return text
    .split(/\n/)
    .map((line) => line.trim())
    .filter((line) => line && !/^[#a-z]/i.test(line))
    .map((line) => {
      const [s, v] = line
        .split(/[\s;]+|,(?=\s*\d+(?:\.\d+)?$)/)
        .filter(Boolean)
        .map((part) => Number(part.replace(",", ".")));
      return [s, v === undefined ? NaN : toSi("speed", v)];
    });
}

const TRACE_START = {
  metric: "0 0\n6 0\n20 40\n45 40\n60 70\n90 70\n105 30\n120 30\n135 0\n140 0",
  us: "0 0\n6 0\n20 25\n45 25\n60 45\n90 45\n105 20\n120 20\n135 0\n140 0",
};

/** What stands in the form of a kind: what was typed last, else where it starts. */
export function written(kind) {
  const key = `${kind}/${settings.get("units")}`;
  if (!kept.has(key)) {
    const at = METRIC() ? 0 : 1;
    kept.set(
      key,
      Object.fromEntries(
        KINDS[kind].fields.map((one) => [
          one.name,
          one.choice
            ? one.choice[0]
            : one.file
              ? null
              : one.tick
                ? false
                : one.lines
                  ? TRACE_START[settings.get("units")]
                  : String(one.start[at]),
        ]),
      ),
    );
  }
  return kept.get(key);
}

/** A field takes part only when the choice it belongs to is made. */
export function takesPart(one, typed) {
  return !one.when || typed[one.when[0]] === one.when[1];
}

/** Plan and problem from what is written; exactly one of both is null. */
export function makePlan(kind, typed) {
  const spec = KINDS[kind];
  const values = {};
  for (const one of spec.fields) {
    if (one.choice || one.tick || one.file) values[one.name] = typed[one.name];
    else if (one.lines) values[one.name] = readTrace(typed[one.name]);
    else {
      const text = String(typed[one.name]).trim().replace(",", ".");
      const si = text === "" ? NaN : toPlan(one.quantity, Number(text));
      const [least, most] = one.engine ? [engine.idle_rpm, engine.max_rpm] : [one.low, one.high];
      const slack = 1e-9 * Math.max(1, Math.abs(most));
      if (takesPart(one, typed) && !(si >= least - slack && si <= most + slack)) {
        const digits = (value) => (Math.abs(value) < 10 && !Number.isInteger(value) ? 1 : 0);
        const [low, high] = [least, most].map((limit) => fromPlan(one.quantity, limit));
        return {
          plan: null,
          problem: t("plan.range", {
            what: t(`plan.f.${one.name}`),
            low: number(low, digits(low)),
            high: number(high, digits(high)),
            unit: unitFor(one.quantity),
          }),
        };
      }
      values[one.name] = si;
    }
  }
  const limits = words.limits.map(toLimit);
  const problem = (spec.wrong?.(values) ?? "") || (limits.includes(null) ? t("plan.limits.wrong") : "");
  if (problem) return { plan: null, problem };
  return { plan: { kind, ...spec.plan(values), ...(limits.length ? { limits } : {}) }, problem: null };
}

/** A limit as a plan has it, in the SI unit of its channel; null while its value is no number. */
function toLimit({ channel, unit, side, value, does }) {
  const text = String(value).trim().replace(",", ".");
  const si = text === "" ? NaN : toSi(quantityOf(unit), Number(text));
  return Number.isFinite(si) ? { channel, unit, [side]: si, does } : null;
}

/** Whether the plan of a kind simulates a truck's road load. */
export function needsTruck(kind, typed) {
  const { truck: asks } = KINDS[kind];
  return typeof asks === "function" ? asks(typed) : Boolean(asks);
}
