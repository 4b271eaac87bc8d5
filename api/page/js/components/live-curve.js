// A sweep while it is driven: power and torque over engine speed, or over road speed, on one chart
// with an axis each, their peaks marked, an earlier run behind them as a ghost.

import { get } from "../api.js";
import { el, rem, setAttr, setText } from "../dom.js";
import { t } from "../texts.js";
import { dateTime, number, shown, toShown, unitOf, withUnit } from "../units.js";
import { DrawnCanvas } from "./drawn-canvas.js";
import { niceStep } from "./strip.js";

const MOST_GHOSTS = 12;
const INKS = {
  soft: "--ink-soft",
  line: "--line",
  sheet: "--sheet",
  power: "--absorbed",
  torque: "--inertia-deep",
};
let chosen = "last"; // run id, "last" or "" for none, until the page is left

/** The point of the greatest value of `column` (1: power, 2: torque); null when there is none. */
export function peakOf(points, column) {
  let top = null;
  for (const point of points) {
    if (Number.isFinite(point[column]) && (!top || point[column] > top[column])) top = point;
  }
  return top;
}

/** Points [x, power, torque] in SI of a stored sweep; none when it went over another quantity. */
export function ghostOf(result, unit) {
  const of = (name) => result?.curves?.find((one) => one.name === name && one.x_unit === unit);
  const power = of("power");
  const torque = of("torque");
  if (!power) return [];
  const twin = new Map((torque?.x ?? []).map((x, index) => [x, torque.value[index]]));
  return power.x.map((x, index) => [x, power.value[index] ?? NaN, twin.get(x) ?? NaN]);
}

/** Least, greatest and step of an axis that starts at zero or at `low`, in shown units. */
export function axisOf(low, high, parts) {
  const step = niceStep(Math.max(high - low, 1e-6), parts);
  return { low: Math.floor(low / step) * step, high: Math.ceil(high / step) * step || step, step };
}

export class LiveCurve extends DrawnCanvas {
  constructor(store, unit) {
    super("strip", INKS);
    this.store = store;
    this.unit = unit; // of the abscissa: rad/s or m/s
    this.quantity = unit === "rad/s" ? "rotation" : "speed";
    this.ghost = [];
    this.peak = el("p", { className: "curve-peak", role: "status" });
    this.choice = el("select", { "aria-label": t("curve.ghost"), onchange: () => this.choose(this.choice.value) });
    this.plot = el("div", { className: "curve-plot" }, this.canvas);
    this.node = el(
      "div",
      { className: "live-curve" },
      el(
        "div",
        { className: "curve-legend" },
        el("span", { className: "curve-key power", text: `${t("curve.power")}, ${unitOf("power")}` }),
        el("span", { className: "curve-key torque", text: `${t("curve.torque")}, ${unitOf("torque")}` }),
        this.choice,
      ),
      this.plot,
      this.peak,
    );
    this.fill(this.plot);
    this.readRuns();
  }

  destroy() {
    this.gone = true;
    super.destroy();
  }

  /** The sweeps that may stand behind this one, those of the vehicle on the rolls first. */
  async readRuns() {
    const answer = await get("/api/runs?kind=power-sweep&state=closed");
    if (this.gone || !answer.ok) return;
    const vehicle = this.store.telemetry?.vehicle ?? "";
    const usable = answer.data.runs.filter((run) => run.valid !== false && !run.tags.includes("discarded"));
    const same = usable.filter((run) => !vehicle || run.vehicle === vehicle);
    const runs = [...same, ...usable.filter((run) => !same.includes(run))];
    this.last = same[0]?.id ?? "";
    this.choice.replaceChildren(
      el("option", { value: "last", text: t("curve.ghost.last") }),
      el("option", { value: "", text: t("curve.ghost.none") }),
      ...runs
        .slice(0, MOST_GHOSTS)
        .map((run) =>
          el("option", { value: run.id, text: [dateTime(run.started_at), run.vehicle].filter(Boolean).join(" · ") }),
        ),
    );
    this.choice.value = chosen;
    if (this.choice.value !== chosen) this.choice.value = "last"; // that run is gone
    await this.choose(this.choice.value);
  }

  async choose(id) {
    chosen = id;
    const run = id === "last" ? this.last : id;
    this.ghost = [];
    this.again();
    if (!run) return;
    const answer = await get(`/api/runs/${encodeURIComponent(run)}/result`);
    if (this.gone || chosen !== id || !answer.ok) return;
    this.ghost = ghostOf(answer.data, this.unit);
    this.again();
  }

  draw(stale) {
    const points = this.store.sweep;
    if (!this.due(`${points.length}|${this.ghost.length}|${stale}`)) return;
    const [width, height] = this.size;
    this.begin();
    const { context, colours } = this;
    const all = [...points, ...this.ghost];
    if (all.length < 2) return;
    const xs = all.map((point) => toShown(this.quantity, point[0])).filter(Number.isFinite);
    const across = axisOf(Math.min(...xs), Math.max(...xs), 5);
    const top = (column, quantity) =>
      Math.max(1, ...all.map((one) => toShown(quantity, one[column])).filter(Number.isFinite));
    const left = axisOf(0, top(1, "power") * 1.04, 4);
    const right = axisOf(0, top(2, "torque") * 1.04, 4);
    const one = rem();
    const [from, to, head, foot] = [2.8 * one, width - 3.5 * one, 0.5 * one, height - 1.5 * one];
    const x = (si) => from + ((toShown(this.quantity, si) - across.low) / (across.high - across.low)) * (to - from);
    const y = (axis, value) => foot - ((value - axis.low) / (axis.high - axis.low)) * (foot - head);
    context.font = `500 ${0.81 * rem()}px ${colours.font}`;
    context.lineWidth = 1;
    this.scale(left, "right", from - 6, (value) => y(left, value), colours.power, [from, to]);
    this.scale(right, "left", to + 6, (value) => y(right, value), colours.torque, null);
    context.textAlign = "center";
    context.textBaseline = "top";
    context.fillStyle = colours.soft;
    for (let at = across.low; at <= across.high + 1e-9; at += across.step) {
      const place = from + ((at - across.low) / (across.high - across.low)) * (to - from);
      context.fillText(number(at, 0), place, foot + 6);
    }
    /** @type {[number, string, any][]} */
    const lines = [
      [1, "power", left],
      [2, "torque", right],
    ];
    for (const [column, quantity, axis] of lines) {
      const place = (point) => [x(point[0]), y(axis, toShown(quantity, point[column]))];
      const ink = stale ? colours.soft : colours[quantity];
      this.line(this.ghost, place, colours.soft, 1.5, column === 2 ? [5, 4] : []);
      this.line(points, place, ink, 3, column === 2 ? [9, 5] : []);
      const peak = peakOf(points, column);
      if (!peak) continue;
      const [px, py] = place(peak);
      this.dot(px, py, 6, ink, colours.sheet, 2);
    }
  }

  scale(axis, align, place, y, colour, across) {
    const { context, colours } = this;
    context.textAlign = align;
    context.textBaseline = "middle";
    for (let at = axis.low; at <= axis.high + 1e-9; at += axis.step) {
      if (across) {
        context.strokeStyle = colours.line;
        const level = Math.round(y(at)) + 0.5;
        this.rule(across[0], level, across[1], level);
      }
      context.fillStyle = colour;
      context.fillText(number(at, 0), place, y(at));
    }
  }

  /** The peaks so far in words, and against the ghost's. */
  write() {
    const peak = peakOf(this.store.sweep, 1);
    const before = peakOf(this.ghost, 1);
    const at = peak ? withUnit(this.quantity, peak[0]) : "";
    const told = peak ? t("curve.peak", { power: withUnit("power", peak[1]), at }) : t("curve.wait");
    const ghost = before
      ? t("curve.peak.ghost", { power: withUnit("power", before[1]), at: shown(this.quantity, before[0]) })
      : "";
    setText(this.peak, [told, ghost].filter(Boolean).join(" "));
    setAttr(this.canvas, "aria-label", `${t("curve.title")}. ${told}`);
  }
}
