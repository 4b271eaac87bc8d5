// The driver's view, read through the windscreen: what to do, what is held and how far off, in the
// largest type that fits. A needle-less tape shows where the value lies in and around the band.

import { BAND, heldNow } from "../components/target.js";
import { ageWords, faultText, instructionOf, stateNow } from "../components/guide.js";
import { el, mark, setAttr, setText, show } from "../dom.js";
import { t } from "../texts.js";
import { clockTime, DASH, shown, unitOf } from "../units.js";

const TAPE_BANDS = 8; // the tape shows this many half bands to either side

export class DriverView {
  constructor({ store }) {
    this.store = store;
    this.shape = mark("unknown");
    this.word = el("strong", {});
    this.clock = el("span", { className: "figure" });
    this.line = el("p", { className: "driver-line" });
    this.figure = el("span", { className: "figure" });
    this.unit = el("span", { className: "unit" });
    this.what = el("p", { className: "soft driver-what" });
    this.setWord = el("span", { className: "soft" });
    this.set = el("b", { className: "figure" });
    this.advice = el("b", { className: "driver-advice" });
    this.band = el("i", { className: "tape-band" });
    this.here = el("i", { className: "tape-here" });
    this.tape = el("div", { className: "tape", "aria-hidden": "true" }, this.band, el("i", { className: "tape-mid" }), this.here);
    this.target = el("p", { className: "driver-target" }, el("span", {}, this.setWord, " ", this.set), this.advice);
    this.full = el("button", { type: "button", onclick: () => this.toggle() });
    this.node = el(
      "div",
      { className: "driver card" },
      el("div", { className: "driver-top" }, el("span", { className: "driver-state" }, this.shape, this.word), el("span", { className: "driver-clock" }, this.clock), this.full),
      this.line,
      el("div", { className: "driver-main" }, this.what, el("p", { className: "driver-figure" }, this.figure, this.unit)),
      this.target,
      this.tape,
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
    if (!telemetry?.test || this.store.stale(now)) return;
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
    setAttr(this.node, "data-state", state);
    this.shape.become(state);
    setText(this.word, t(`state.${state}`));
    setText(this.full, t(document.fullscreenElement ? "driver.leave" : "driver.full"));
    show(this.full, Boolean(document.documentElement.requestFullscreen));
    const test = telemetry?.test ?? null;
    const old = ageWords(store, now);
    setAttr(this.clock, "data-old", old ? "yes" : null);
    setText(this.clock, old ? old.join(" ") : test && test.total_s !== null ? clockTime(test.total_s - test.elapsed_s) : test ? clockTime(test.elapsed_s) : "");
    const cause = telemetry?.faults.find((fault) => fault.code === telemetry.first_cause);
    const line = state === "unknown" ? t("guide.unknown")
      : state === "tripped" ? faultText(cause ?? { code: telemetry.first_cause, text: telemetry.first_cause, remedy: "" }).text
        : (test && instructionOf(test)) || (state === "easing" ? t("guide.easing") : t("driver.wait"));
    setText(this.line, line);
    const held = telemetry ? heldNow(telemetry, store) : null;
    const digits = held?.quantity === "speed" ? 1 : 0;
    setText(this.what, held ? held.title : "");
    setText(this.figure, held ? shown(held.quantity, held.value, digits) : DASH);
    setText(this.unit, held ? unitOf(held.quantity) : "");
    const target = test && held ? held.target : null;
    show(this.target, target !== null);
    show(this.tape, target !== null);
    if (target !== null) {
      setText(this.setWord, t("target.set"));
      setText(this.set, shown(held.quantity, target, digits));
      const relative = held.value === null || stale ? null : (held.value - target) / target;
      const inside = relative !== null && Math.abs(relative) <= BAND;
      setText(this.advice, relative === null ? "" : inside ? `● ${t("driver.steady")}` : relative > 0 ? `▼ ${t("driver.toofast")}` : `▲ ${t("driver.tooslow")}`);
      setAttr(this.advice, "data-inside", inside ? "yes" : "no");
    }
  }

  leave() {
    document.removeEventListener("fullscreenchange", this.onFull);
  }
}
