// What is held: measured large, set point and error beside it, a strip of the last seconds below.
// Without a test it shows engine speed, or roll speed where no engine speed is known.

import { el, setAttr, setText, show } from "../dom.js";
import { t } from "../texts.js";
import { DASH, number, shown, toShown, unitOf, withUnit } from "../units.js";
import { LiveCurve } from "./live-curve.js";
import { inBand, Road } from "./road.js";
import { StripChart } from "./strip.js";
import { LiveTimeline } from "./timeline.js";

const STRIP_S = 30;
export const BAND = 0.005; // the tolerance of a plan unless it says otherwise

/** Quantity, ring and values to show now. */
export function heldNow(telemetry, store) {
  const test = telemetry.test;
  const frame = telemetry.measured;
  if (test) {
    const quantity =
      test.unit === "rad/s" ? "rotation" : test.unit === "m/s" ? "speed" : test.unit === "W" ? "power" : "force";
    const title =
      quantity === "rotation"
        ? t("target.engine")
        : quantity === "speed"
          ? t("target.speed")
          : quantity === "power"
            ? t("target.power")
            : t("target.force");
    return { quantity, title, value: test.measured, target: test.set_point, ring: store.held, reading: null };
  }
  const engine = frame?.engine_speed;
  if (engine && engine.quality !== "missing" && engine.value !== null) {
    return {
      quantity: "rotation",
      title: t("target.engine"),
      value: engine.value,
      target: null,
      ring: store.engine,
      reading: engine,
    };
  }
  const speed = frame?.roll_sets[0]?.speed ?? null;
  return {
    quantity: "speed",
    title: t("target.speed"),
    value: speed?.value ?? null,
    target: null,
    ring: store.speed,
    reading: speed,
  };
}

/** Torque and road speed while something is held: what the calibrator reads beside the set point. */
function besides(telemetry, quantity) {
  const frame = telemetry.measured;
  if (!telemetry.test || !frame) return "";
  const watts = frame.roll_sets.reduce((sum, set) => sum + (set.power.value ?? NaN), 0);
  const radps = frame.engine_speed.value ?? NaN;
  const speed = frame.roll_sets.reduce((sum, set) => sum + (set.speed.value ?? NaN), 0) / frame.roll_sets.length;
  const told = [];
  if (radps > 1 && Number.isFinite(watts)) told.push(withUnit("torque", watts / radps));
  if (quantity !== "speed" && Number.isFinite(speed)) told.push(withUnit("speed", speed));
  return told.join(" · ");
}

export class Target {
  constructor() {
    this.title = el("h2", { id: "target-title" });
    this.source = el("span", { className: "soft target-source" });
    this.figure = el("span", { className: "figure target-figure" });
    this.unit = el("span", { className: "unit" });
    this.set = el("b", { className: "figure" });
    this.setWord = el("span", { className: "soft" });
    this.error = el("b", { className: "figure" });
    this.errorWord = el("span", { className: "soft" });
    this.band = el("span", { className: "band-word" });
    this.short = el("p", { className: "shortfall" });
    this.compare = el(
      "div",
      { className: "compare" },
      el("p", {}, this.setWord, this.set),
      el("p", {}, this.errorWord, this.error),
      this.band,
    );
    this.slope = el("p", { className: "slope" });
    this.beside = el("p", { className: "target-beside" });
    this.holder = el("div", { className: "strip-holder" });
    this.timeline = new LiveTimeline();
    this.node = el(
      "section",
      { className: "card target", "aria-labelledby": "target-title" },
      el("div", { className: "target-head" }, this.title, this.source),
      el(
        "div",
        { className: "target-main" },
        el("p", { className: "target-value" }, this.figure, " ", this.unit),
        this.compare,
      ),
      this.short,
      this.slope,
      this.beside,
      this.holder,
      this.timeline.node,
    );
  }

  strip(quantity) {
    if (this.quantity !== quantity) {
      this.chart?.destroy();
      this.chart = new StripChart({
        seconds: STRIP_S,
        scale: (si) => toShown(quantity, si),
        least: quantity === "rotation" ? 40 : quantity === "speed" ? 4 : 20,
        digits: quantity === "speed" ? 1 : 0,
      });
      this.only(this.chart);
      this.quantity = quantity;
    }
    return this.chart;
  }

  repaint() {
    this.chart?.repaint();
    this.road?.repaint();
    this.curve?.repaint();
  }

  /** One drawing at a time has the holder: `made` is it, the others go. */
  only(made) {
    for (const name of ["chart", "road", "curve"]) {
      if (this[name] === made) continue;
      this[name]?.destroy();
      this[name] = null;
    }
    if (made !== this.chart) this.quantity = null;
    this.holder.replaceChildren(made.node ?? made.canvas);
  }

  /** The curve that a sweep draws, in place of the strip. */
  drawCurve(test, store, stale) {
    if (!this.curve || this.curve.unit !== test.unit) {
      this.curve?.destroy();
      this.curve = new LiveCurve(store, test.unit);
      this.only(this.curve);
    }
    this.curve.draw(stale);
  }

  /** The road ahead in place of the strip, while a trace is driven. */
  drawRoad(test, store, stale) {
    if (!this.road) {
      this.road = new Road();
      this.only(this.road);
    }
    this.road.draw(test, store.held, stale);
  }

  leave() {
    this.chart?.destroy();
    this.road?.destroy();
    this.curve?.destroy();
  }

  draw(telemetry, store, stale) {
    const { test } = telemetry;
    if (test?.kind === "speed-trace") return this.drawRoad(test, store, stale);
    if (test?.kind === "power-sweep") return this.drawCurve(test, store, stale);
    const held = heldNow(telemetry, store);
    this.strip(held.quantity)?.draw(held.ring, { band: held.target === null ? 0 : BAND, stale });
  }

  write(telemetry, store) {
    const held = heldNow(telemetry, store);
    const digits = held.quantity === "speed" ? 1 : 0;
    setText(this.title, held.title);
    const source = telemetry.measured?.engine_speed_source;
    setText(this.source, held.quantity === "rotation" && source ? t(`target.source.${source}`) : "");
    const missing = held.value === null;
    setText(this.figure, shown(held.quantity, held.value, digits));
    setText(this.unit, unitOf(held.quantity));
    const target = held.target;
    setText(this.setWord, target === null ? t("target.none") : t("target.set"));
    setText(this.set, target === null ? "" : shown(held.quantity, target, digits));
    const error = target === null || missing ? null : held.value - target;
    setText(this.errorWord, error === null ? "" : t("target.off"));
    const slope = toShown(held.quantity, 1) - toShown(held.quantity, 0);
    setText(this.error, error === null ? "" : number(error * slope, digits, true));
    const test = telemetry.test;
    const trace = test?.kind === "speed-trace";
    /** @type {boolean | null} */
    let inside = null;
    if (error !== null && trace) inside = inBand(test) === null ? null : inBand(test) === 0;
    else if (error !== null && target !== 0) inside = Math.abs(error / target) <= BAND;
    const band = trace ? t("target.band") : `${number(BAND * 100, 1)} %`;
    setText(this.band, inside === null ? "" : t(inside ? "target.inside" : "target.outside", { band }));
    setAttr(this.band, "data-inside", inside === null ? null : inside ? "yes" : "no");
    const climbs = test && Number.isFinite(test.grade_percent);
    setText(
      this.slope,
      climbs
        ? t("target.slope", { grade: `${number(test.grade_percent, 1)} %`, way: withUnit("distance", test.distance_m) })
        : "",
    );
    show(this.slope, Boolean(climbs));
    const short = telemetry.test?.shortfall_n ?? 0;
    const says = missing
      ? held.quantity === "rotation"
        ? t("why.engine")
        : t("why.reading")
      : short > 50
        ? t("target.shortfall", { force: withUnit("force", short) })
        : "";
    setText(this.short, says);
    show(this.short, says !== "");
    setText(this.beside, besides(telemetry, held.quantity));
    show(this.beside, this.beside.textContent !== "");
    this.curve?.write();
    this.timeline.write(telemetry, store);
    const canvas = this.chart?.canvas ?? this.road?.canvas;
    if (canvas) setAttr(canvas, "aria-label", t("target.strip", { n: STRIP_S, what: held.title }));
    return held.value === null ? DASH : "";
  }
}
