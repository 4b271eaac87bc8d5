// Headroom: minutes left at the present power before the hottest absorber reaches its limit, always
// in sight, and one line per absorber with what is known of its rotor.

import { el, setAttr, setText, show } from "../dom.js";
import { naturalName, t } from "../texts.js";
import { DASH, number, withUnit } from "../units.js";

const FAR_S = 99 * 60;

/** Seconds one may count on: the best estimate or, where that is never but not surely, the least. */
export function counted(view) {
  return view.headroom_s ?? view.headroom_low_s ?? null;
}

/**
 * Headroom of the rig, as a view: that of the absorber which limits, with the least lower end of all
 * of them, since another, less well known, may come first. Null when none is known. `key`: of which
 * circumstances.
 */
export function tightest(views, key = "headroom") {
  const of = (view) => ({
    ...view,
    headroom_s: view[`${key}_s`],
    headroom_low_s: view[`${key}_low_s`],
    headroom_high_s: view[`${key}_high_s`],
  });
  const known = views.map(of).filter((view) => Number.isFinite(counted(view)));
  if (!known.length) return null;
  const first = known.reduce((a, b) => (counted(b) < counted(a) ? b : a));
  const lows = known.map((view) => view.headroom_low_s).filter(Number.isFinite);
  return { ...first, headroom_low_s: lows.length ? Math.min(...lows) : null };
}

/** How soon the limit of the tightest absorber comes: last, soon or calm. */
export function urgency(first) {
  return counted(first) < 60 ? "last" : counted(first) < 300 ? "soon" : "calm";
}

const HOLD_MS = 2000; // a verdict stands so long before a better or worse one takes its place

/**
 * Whether the heat lasts for the rest of the running test, at the present power: "enough", "unsure"
 * or "short", with the seconds to spare or lacking of the least sure absorber. Null without a test
 * whose end is known, or without a headroom that is known. `first`: from `tightest`, null for never.
 */
export function forTest(test, first, unknown) {
  const left = test && Number.isFinite(test.total_s) ? Math.max(0, test.total_s - test.elapsed_s) : null;
  if (left === null || (unknown && !first)) return null;
  if (!first) return { verdict: "enough", spare_s: null, left_s: left };
  const low = first.headroom_low_s ?? first.headroom_s;
  const high = first.headroom_high_s ?? Infinity;
  const verdict = low >= left ? "enough" : high >= left ? "unsure" : "short";
  return { verdict, spare_s: low - left, left_s: left };
}

/** The same, without flicker: another verdict takes over once it has stood for a while. */
export class Verdict {
  constructor() {
    this.shown = null;
    this.next = null;
    this.since = 0;
  }

  of(found, now) {
    const same = (found?.verdict ?? null) === (this.shown?.verdict ?? null);
    if (same || !found || !this.shown) {
      this.shown = found;
      this.next = null;
    } else if (this.next !== found.verdict) {
      this.next = found.verdict;
      this.since = now;
    } else if (now - this.since >= HOLD_MS) {
      this.shown = found;
      this.next = null;
    }
    return this.shown;
  }
}

const URGENCY = { enough: "calm", unsure: "soon", short: "last" };

/** Level and words for the heat now: for the test that runs, else at the present power. */
export function heatNow(telemetry, verdict, now) {
  const views = telemetry.absorbers;
  const first = tightest(views);
  const unknown = views.some((view) => headroomKind(view) === "unknown");
  const told = verdict.of(forTest(telemetry.test, first, unknown), now);
  const level = told ? URGENCY[told.verdict] : first ? urgency(first) : "calm";
  return { first, unknown, told, level };
}

/** Words for a headroom: known, never, or unknown (JSON has no infinity: the rotor tells which). */
export function headroomKind(view) {
  if (counted(view) !== null) return "known";
  return view.rotor_k === null ? "unknown" : "never";
}

export function minutes(seconds) {
  if (seconds > FAR_S) return t("heat.over", { n: number(99) });
  const value = seconds / 60;
  return number(value < 10 ? Math.floor(value * 10) / 10 : Math.floor(value), value < 10 ? 1 : 0);
}

/** Least and most minutes of the 95 % interval; one number where both read the same. */
export function intervalMinutes(view) {
  const low = view.headroom_low_s ?? null;
  const high = view.headroom_high_s ?? null;
  if (low === null) return minutes(view.headroom_s);
  const [from, to] = [minutes(low), high === null ? "" : minutes(high)];
  if (high === null) return t("heat.from", { n: from });
  return from === to ? from : `${from}–${to}`;
}

/** Who limits: the absorber, and its coil where that comes before the rotor. */
export function limiterName(view) {
  const name = naturalName(view.name, false);
  return view.limited_by === "coil" ? t("heat.coilof", { name }) : name;
}

/** What stands beneath the verdict: what is to spare or lacking, and whose limit comes first. */
function testNote(told, first) {
  const name = limiterName(first);
  const range = intervalMinutes(first);
  if (told.verdict === "enough") return t("heat.test.spare", { n: minutes(told.spare_s), name });
  return t("heat.test.lacks", { range, needed: minutes(told.left_s), name });
}

export class Headroom {
  constructor() {
    this.title = el("h2", { id: "heat-title" });
    this.figure = el("span", { className: "figure heat-figure" });
    this.unit = el("span", { className: "unit" });
    this.note = el("p", { className: "soft heat-note" });
    this.list = el("ul", { className: "rotors" });
    this.rows = new Map();
    this.verdict = new Verdict();
    this.node = el(
      "section",
      { className: "card heat", "aria-labelledby": "heat-title" },
      el(
        "div",
        { className: "heat-head" },
        this.title,
        el("p", { className: "heat-main" }, this.figure, " ", this.unit),
        this.note,
      ),
      this.list,
    );
  }

  write(telemetry, rig, now) {
    setText(this.title, t("heat.title"));
    const views = telemetry.absorbers;
    const { first, unknown, told, level } = heatNow(telemetry, this.verdict, now);
    const frame = telemetry.measured;
    const braking = frame ? frame.roll_sets.some((set) => Math.abs(set.absorber_force.value ?? 0) > 60) : false;
    if (told) {
      setText(this.figure, t(`heat.test.${told.verdict}`));
      setText(this.unit, "");
      setText(this.note, first ? testNote(told, first) : t("heat.free.note"));
    } else if (first) {
      setText(this.figure, intervalMinutes(first));
      setText(this.unit, t("heat.min"));
      const sure = Number.isFinite(first.headroom_low_s);
      setText(this.note, t(sure ? "heat.at95" : "heat.at", { name: limiterName(first) }));
    } else if (unknown || !views.length) {
      setText(this.figure, DASH);
      setText(this.unit, "");
      setText(this.note, t(braking || !frame ? "heat.unknown.note" : "heat.none.note"));
      if (!braking && frame) setText(this.note, `${t("heat.none.note")} ${t("heat.unknown.note")}`);
    } else {
      setText(this.figure, t("heat.free"));
      setText(this.unit, "");
      setText(this.note, t("heat.free.note"));
    }
    this.figure.classList.toggle("words", Boolean(told) || (!first && !unknown && views.length > 0));
    setAttr(this.node, "data-level", level);
    for (const view of views) this.writeRow(view, frame, rig);
  }

  writeRow(view, frame, rig) {
    let row = this.rows.get(view.name);
    if (!row) {
      row = {
        name: el("span", { className: "rotor-name" }),
        temp: el("span", { className: "figure rotor-temp" }),
        amp: el("span", { className: "figure rotor-amp soft" }),
        level: el("i", {}),
      };
      row.track = el("span", { className: "rotor-track", "aria-hidden": "true" }, row.level);
      row.node = el("li", {}, row.name, row.track, row.temp, row.amp);
      this.rows.set(view.name, row);
      this.list.append(row.node);
    }
    const heat = rig?.absorbers.find((known) => known.name === view.name)?.heat;
    const reading = frame?.absorbers.find((known) => known.name === view.name);
    const current = reading?.current?.value ?? null;
    setText(row.name, naturalName(view.name));
    setText(row.temp, view.rotor_k === null ? DASH : withUnit("temperature", view.rotor_k));
    setText(row.amp, current === null ? DASH : withUnit("current", current));
    const share = view.rotor_k === null || !heat ? 0 : (view.rotor_k - 293) / (heat.limit_k - 293);
    row.level.style.width = `${Math.max(0, Math.min(1, share)) * 100}%`;
    show(row.level, view.rotor_k !== null);
    setAttr(row.node, "data-level", heat && view.rotor_k >= heat.warn_k ? "soon" : "calm");
  }
}
