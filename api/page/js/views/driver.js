// The driver's view, read through the windscreen: what to do, what is held and how far off, in the
// largest type that fits. A trace shows the road ahead, a climb its hill, everything else a tape.

import { get } from "../api.js";
import { ageWords, faultText, instructionOf, phaseOf, stateNow } from "../components/guide.js";
import { between, Hill } from "../components/hill.js";
import { inBand, Road } from "../components/road.js";
import { heights } from "../components/route-field.js";
import { BAND, heldNow } from "../components/target.js";
import { el, mark, setAttr, setText, show } from "../dom.js";
import { toldAll } from "../messages.js";
import { settings } from "../settings.js";
import { t } from "../texts.js";
import { clockTime, DASH, number, shown, unitOf, withUnit } from "../units.js";

const TAPE_BANDS = 8; // the tape shows this many half bands to either side
const URGENT = new Set(["full pedal", "snap"]); // phases in which the driver acts at once

/** How a running test is shown to the driver. */
export function modeOf(test) {
  if (!test) return "none";
  if (test.kind === "speed-trace") return "trace";
  if (test.kind === "grade-climb") return "climb";
  if (test.kind === "coastdown" || test.kind === "snap-smoke") return "free";
  return "held";
}

/** What the driver is told of being beside the set point: a held speed is the rig's to bring back. */
export function adviceOf(side, mode) {
  if (side === null) return "";
  if (side === 0) return `● ${t("driver.steady")}`;
  if (mode !== "trace" && mode !== "climb") return `○ ${t("driver.brings")}`;
  return side > 0 ? `▼ ${t("driver.toofast")}` : `▲ ${t("driver.tooslow")}`;
}

export default class DriverView {
  constructor({ store }) {
    this.store = store;
    this.shape = mark("unknown");
    this.word = el("strong", {});
    this.clock = el("span", { className: "figure" });
    this.line = el("p", { className: "driver-line" });
    this.next = el("p", { className: "driver-next soft" });
    this.figure = el("span", { className: "figure" });
    this.unit = el("span", { className: "unit" });
    this.what = el("p", { className: "soft driver-what" });
    this.setWord = el("span", { className: "soft" });
    this.set = el("b", { className: "figure" });
    this.advice = el("b", { className: "driver-advice" });
    this.band = el("i", { className: "tape-band" });
    this.here = el("i", { className: "tape-here" });
    this.tape = el(
      "div",
      { className: "tape", "aria-hidden": "true" },
      this.band,
      el("i", { className: "tape-mid" }),
      this.here,
    );
    this.road = new Road();
    this.roadHolder = el("div", { className: "driver-road" }, this.road.canvas);
    this.hill = new Hill();
    this.points = null; // (m, %) of the running climb's route
    this.route = null; // heights along the running climb's route
    this.roadOf = ""; // the run it was asked for
    this.gradeWord = el("span", { className: "soft" });
    this.grade = el("b", { className: "figure" });
    this.wayWord = el("span", { className: "soft" });
    this.way = el("b", { className: "figure" });
    this.soonWord = el("span", { className: "soft" });
    this.soon = el("b", { className: "figure" });
    this.soonPart = el("p", {}, this.soonWord, this.soon);
    this.climb = el(
      "div",
      { className: "driver-climb" },
      el("p", {}, this.gradeWord, this.grade),
      this.soonPart,
      el("p", {}, this.wayWord, this.way),
      this.hill.node,
    );
    this.target = el("p", { className: "driver-target" }, el("span", {}, this.setWord, " ", this.set), this.advice);
    this.full = el("button", { type: "button", onclick: () => this.toggle() });
    this.node = el(
      "div",
      { className: "driver card" },
      el(
        "div",
        { className: "driver-top" },
        el("span", { className: "driver-state" }, this.shape, this.word),
        el("span", { className: "driver-clock" }, this.clock),
        this.full,
      ),
      el("div", { className: "driver-words" }, this.line, this.next),
      el(
        "div",
        { className: "driver-main" },
        this.what,
        el("p", { className: "driver-figure" }, this.figure, this.unit),
      ),
      this.target,
      this.tape,
      this.roadHolder,
      this.climb,
    );
    this.onFull = () => this.write(performance.now());
    document.addEventListener("fullscreenchange", this.onFull);
  }

  toggle() {
    if (document.fullscreenElement) document.exitFullscreen();
    else document.documentElement.requestFullscreen?.().catch(() => undefined);
  }

  draw(now) {
    const { telemetry } = this.store;
    if (!telemetry?.test) return;
    const { test } = telemetry;
    const stale = this.store.stale(now);
    if (modeOf(test) === "trace") {
      this.road.draw(test, this.store.held, stale);
      return;
    }
    if (stale) return;
    const held = heldNow(telemetry, this.store);
    if (held.value === null || !held.target) return;
    const off = (held.value - held.target) / held.target / BAND; // in half bands
    const at = Math.max(-TAPE_BANDS, Math.min(TAPE_BANDS, off));
    this.here.style.left = `${50 + (at / TAPE_BANDS) * 50}%`;
    this.band.style.width = `${100 / TAPE_BANDS}%`;
  }

  write(now) {
    const { store } = this;
    const { telemetry } = store;
    const state = stateNow(store, now);
    const stale = store.stale(now);
    const test = telemetry?.test ?? null;
    const mode = modeOf(test);
    setAttr(this.node, "data-state", state);
    setAttr(this.node, "data-mode", mode);
    setAttr(this.node, "data-urgent", test && state === "loaded" && URGENT.has(test.phase) ? "yes" : null);
    this.shape.become(state);
    setText(this.word, test && state === "loaded" ? phaseOf(test) : t(`state.${state}`));
    setText(this.full, t(document.fullscreenElement ? "driver.leave" : "driver.full"));
    show(this.full, Boolean(document.documentElement.requestFullscreen));
    const old = ageWords(store, now);
    setAttr(this.clock, "data-old", old ? "yes" : null);
    setText(
      this.clock,
      old
        ? old.join(" ")
        : test && test.total_s !== null
          ? clockTime(Math.max(0, test.total_s - test.elapsed_s))
          : test
            ? clockTime(test.elapsed_s)
            : "",
    );
    const cause = telemetry?.faults.find((fault) => fault.code === telemetry.first_cause);
    const line =
      state === "unknown"
        ? t("guide.unknown")
        : state === "tripped"
          ? faultText(cause ?? { code: telemetry.first_cause, text: telemetry.first_cause, remedy: "" }).text
          : (test && instructionOf(test)) || (state === "easing" ? t("guide.easing") : t("driver.wait"));
    setText(this.line, line);
    const next = test && state === "loaded" ? (toldAll(test, "next_phases")[0] ?? "") : "";
    setText(this.next, next ? t("test.next", { what: next }) : "");
    show(this.next, next !== "");
    const held = telemetry ? heldNow(telemetry, store) : null;
    const digits = held?.quantity === "speed" ? 1 : 0;
    setText(this.what, held ? held.title : "");
    setText(this.figure, held ? shown(held.quantity, held.value, digits) : DASH);
    setText(this.unit, held ? unitOf(held.quantity) : "");
    const target = test && held && mode !== "free" ? held.target : null;
    show(this.target, target !== null);
    show(this.tape, target !== null && (mode === "held" || mode === "none"));
    show(this.roadHolder, mode === "trace");
    show(this.climb, mode === "climb");
    if (target !== null) this.writeTarget(test, held, target, mode, stale, digits);
    if (mode === "climb") this.writeClimb(test);
  }

  writeTarget(test, held, target, mode, stale, digits) {
    setText(this.setWord, t("target.set"));
    setText(this.set, `${shown(held.quantity, target, digits)}`);
    const known = held.value !== null && !stale;
    /** @type {number | null} */
    let side = null;
    if (known && mode === "trace") side = inBand(test);
    else if (known) {
      const relative = (held.value - target) / target;
      side = Math.abs(relative) <= (mode === "climb" ? 0.02 : BAND) ? 0 : Math.sign(relative);
    }
    setText(this.advice, adviceOf(side, mode));
    setAttr(this.advice, "data-inside", side === 0 ? "yes" : "no");
  }

  writeClimb(test) {
    setText(this.gradeWord, t("driver.grade"));
    setText(this.grade, test.grade_percent === null ? DASH : `${number(test.grade_percent, 1)} %`);
    const end = test.total_s === null ? null : test.total_s * test.set_point;
    setText(this.wayWord, t(end === null ? "driver.way" : "driver.left"));
    const way = test.distance_m === null ? null : end === null ? test.distance_m : Math.max(0, end - test.distance_m);
    setText(this.way, way === null ? DASH : withUnit("distance", way));
    this.readRoad(test.run_id);
    this.writeSoon(test);
    this.hill.draw(this.store.climb, test.grade_percent, end, this.route, test.distance_m ?? 0);
  }

  /** The grade a little further on, where the road is known. */
  writeSoon(test) {
    show(this.soonPart, Boolean(this.points));
    if (!this.points) return;
    const on = settings.get("units") === "us" ? 600 * 0.3048 : 200;
    const next = between(this.points, (test.distance_m ?? 0) + on);
    const change = next - (test.grade_percent ?? next);
    setText(this.soonWord, t("driver.soon", { way: withUnit("height", on) }));
    setText(this.soon, `${Math.abs(change) < 0.3 ? "" : change > 0 ? "▲ " : "▼ "}${number(next, 1)} %`);
  }

  /** The route of the running climb, from the plan that was stored with it; once a run. */
  async readRoad(runId) {
    if (this.roadOf === runId) return;
    this.roadOf = runId;
    this.route = this.points = null;
    const answer = await get(`/api/runs/${encodeURIComponent(runId)}`);
    if (this.roadOf !== runId) return;
    if (!answer.ok) {
      setTimeout(() => {
        if (this.roadOf === runId) this.roadOf = "";
      }, 2000);
    }
    const points = answer.ok ? (answer.data.plan?.grade?.by_distance ?? []) : [];
    this.points = points.length > 1 ? points : null;
    this.route = this.points && heights(points);
  }

  repaint() {
    this.road.repaint();
  }

  leave() {
    document.removeEventListener("fullscreenchange", this.onFull);
    this.road.destroy();
  }
}
