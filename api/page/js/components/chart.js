// A chart over time, engine speed or speed: lines with their bands, flags where they happened, our
// own legend with the values at the cursor. Drawn by uPlot, fetched once from our vendor folder.

import { el, setText } from "../dom.js";
import { t } from "../texts.js";
import { clockTime, DASH, number, quantityOf, toShown, unitOf } from "../units.js";

// colour and dash together: neither alone tells lines apart
export const STYLES = [
  ["--absorbed", []],
  ["--inertia", [9, 5]],
  ["--heather", [2, 4]],
  ["--good", [13, 4, 2, 4]],
  ["--ink-soft", [5, 3]],
  ["--trip", [16, 4]],
];
const HEIGHT = 240;
const START_S = 0.6; // filters fill in the first moments of a run: they do not set the scale

/** @type {Promise<any> | null} */
let loading = null;

/** uPlot, fetched once. */
function loadPlot() {
  loading ??= new Promise((resolve, reject) => {
    const style = el("link", { rel: "stylesheet", href: "vendor/uplot/uPlot.min.css" });
    const script = el("script", { src: "vendor/uplot/uPlot.iife.min.js" });
    script.onload = () => resolve(globalThis.uPlot);
    script.onerror = () => {
      loading = null;
      reject(new Error("uPlot did not load"));
    };
    document.head.append(style, script);
  });
  return loading;
}

function turn(quantity, values) {
  return values.map((value) => (value === null || value === undefined ? null : toShown(quantity, value)));
}

/** Least and greatest of the series shown, with a margin; the first moments of a run left out. */
function reach(data, from, floor) {
  let low = floor ?? Infinity;
  let high = floor ?? -Infinity;
  const [x, ...columns] = data;
  for (const column of columns) {
    column.forEach((value, index) => {
      if (value === null || value === undefined || x[index] < from) return;
      low = Math.min(low, value);
      high = Math.max(high, value);
    });
  }
  if (!Number.isFinite(low)) return [0, 1];
  const margin = Math.max((high - low) * 0.08, Math.abs(high) * 0.005, 1e-6);
  return [low === floor ? low : low - margin, high + margin];
}

export class Chart {
  /**
   * `x`: SI values; `xUnit`: "clock" for seconds as m:ss, else a unit of the interface.
   * `series`: [{ label, value, low, high, marks, style, width }] over the same x, all in `unit`;
   * one without a label is drawn faint and has no place in the legend.
   * `flags`: [{ number, x | from, to, voids }] in SI of x.
   */
  constructor({ title, unit, x, xUnit, xTitle = "", series, flags = [], height = HEIGHT, sync = "", zero = false }) {
    this.quantity = quantityOf(unit);
    this.unit = this.quantity === "plain" ? unit : unitOf(this.quantity);
    this.clock = xUnit === "clock";
    this.xQuantity = this.clock ? "plain" : quantityOf(xUnit);
    this.xUnit = this.clock ? "" : this.xQuantity === "plain" ? xUnit : unitOf(this.xQuantity);
    this.title = title;
    this.x = x;
    this.xTitle = xTitle;
    this.series = series;
    this.flags = flags;
    this.height = height;
    this.sync = sync;
    this.zero = zero;
    /** @type {number[]} */
    this.places = [];
    /** @type {any[][] | null} */
    this.data = null; // what is drawn, set by draw()
    this.area = el("div", { className: "chart-area" });
    this.at = el("span", { className: "legend-at soft figure" });
    this.items = series.map((one, index) => {
      const value = el("b", { className: "figure legend-value" });
      const [, dash] = STYLES[(one.style ?? index) % STYLES.length];
      const line = el("i", {
        className: "legend-line",
        "data-style": String((one.style ?? index) % STYLES.length),
        "data-dash": dash.length ? "yes" : "no",
        "aria-hidden": "true",
      });
      return { value, shown: Boolean(one.label), node: el("li", {}, line, el("span", { text: one.label }), value) };
    });
    const words = el(
      "figcaption",
      {},
      el("span", { className: "chart-title", text: this.unit ? `${title}, ${this.unit}` : title }),
      this.at,
    );
    this.node = el(
      "figure",
      { className: "curve" },
      words,
      this.area,
      el(
        "ul",
        { className: "legend" },
        this.items.filter((item) => item.shown).map((item) => item.node),
      ),
    );
    this.observer = new ResizeObserver(() => this.fit());
    this.observer.observe(this.area);
  }

  /** Draw, once the node is in the page. */
  async draw() {
    const Plot = await loadPlot();
    if (this.gone) return;
    const style = getComputedStyle(this.node);
    const colour = (name) => style.getPropertyValue(name).trim();
    const data = [turn(this.xQuantity, this.x)];
    const series = [{}];
    const bands = [];
    this.places = [];
    this.series.forEach((one, index) => {
      const [token, dash] = STYLES[(one.style ?? index) % STYLES.length];
      const stroke = colour(token);
      if (one.low?.some((value) => value !== null)) {
        data.push(turn(this.quantity, one.high), turn(this.quantity, one.low));
        series.push({ width: 0, points: { show: false } }, { width: 0, points: { show: false } });
        bands.push({ series: [data.length - 2, data.length - 1], fill: `${stroke}38` });
      }
      data.push(turn(this.quantity, one.value));
      this.places.push(data.length - 1);
      series.push({
        stroke: one.label ? stroke : `${stroke}8c`,
        width: one.marks ? 0 : (one.width ?? 2),
        dash,
        spanGaps: false,
        points: one.marks ? { show: true, size: 10, fill: stroke } : { show: false },
      });
    });
    const font = `500 13px ${style.fontFamily}`;
    const axis = {
      stroke: colour("--ink-soft"),
      font,
      grid: { stroke: colour("--line"), width: 1 },
      ticks: { show: false },
    };
    const begin = this.clock ? (this.x[0] ?? 0) + START_S : -Infinity;
    const [low, high] = reach(data, begin, this.zero ? 0 : undefined);
    const steps = (_, ticks) =>
      ticks.map((tick) => number(tick, Number.isInteger(tick) ? 0 : Math.abs(ticks[1] - ticks[0]) < 0.1 ? 2 : 1));
    this.plot = new Plot(
      {
        width: this.width(),
        height: this.height,
        legend: { show: false },
        cursor: {
          drag: { x: true, y: false },
          points: { show: false },
          ...(this.sync ? { sync: { key: this.sync } } : {}),
        },
        scales: { x: { time: false }, y: { range: [low, high] } },
        axes: [
          {
            ...axis,
            values: this.clock ? (_, ticks) => ticks.map((tick) => clockTime(tick)) : steps,
            size: 34,
            space: 70,
          },
          { ...axis, size: 62, values: steps, space: 34 },
        ],
        series,
        bands,
        hooks: {
          setCursor: [(plot) => this.tell(plot.cursor.idx)],
          drawClear: [(plot) => this.drawFlags(plot, colour)],
        },
      },
      data,
      this.area,
    );
    this.data = data;
    const wrap = this.plot.root.querySelector(".u-wrap");
    wrap.setAttribute("role", "img");
    wrap.setAttribute("aria-label", t("chart.alt", { what: this.title, over: this.xTitle || t("run.time") }));
    this.tell(null);
  }

  /** Values at the cursor in the legend; without one, the axis' name. */
  tell(index) {
    const data = index === null || index === undefined ? null : this.data;
    const digits = (value) => (Math.abs(value) < 10 ? 2 : Math.abs(value) < 1000 ? 1 : 0);
    if (data) {
      const x = data[0][index];
      setText(this.at, this.clock ? clockTime(x) : `${number(x, Math.abs(x) < 10 ? 2 : 0)} ${this.xUnit}`);
    } else setText(this.at, this.clock ? t("run.time") : [this.xTitle, this.xUnit].filter(Boolean).join(", "));
    this.items.forEach((item, place) => {
      const value = data ? data[this.places[place]][index] : null;
      setText(item.value, data ? (value === null || value === undefined ? DASH : number(value, digits(value))) : "");
    });
  }

  drawFlags(plot, colour) {
    const { ctx, bbox } = plot;
    const at = (value) => plot.valToPos(toShown(this.xQuantity, value), "x", true);
    const ratio = devicePixelRatio || 1;
    ctx.save();
    for (const flag of this.flags) {
      const from = flag.x ?? flag.from;
      if (from === null || from === undefined) continue;
      const left = Math.max(bbox.left, at(from));
      const right =
        flag.x === undefined || flag.x === null ? Math.min(bbox.left + bbox.width, at(flag.to ?? from)) : left;
      if (left > bbox.left + bbox.width || right < bbox.left) continue;
      const ink = colour(flag.voids ? "--trip" : "--caution");
      ctx.fillStyle = `${ink}26`;
      ctx.fillRect(left, bbox.top, Math.max(2 * ratio, right - left), bbox.height);
      ctx.fillStyle = ink;
      ctx.fillRect(left, bbox.top, 2 * ratio, bbox.height);
      ctx.font = `700 ${12 * ratio}px sans-serif`;
      const middle = left + (left + 22 * ratio > bbox.left + bbox.width ? -10 : 11) * ratio;
      ctx.beginPath();
      ctx.arc(middle, bbox.top + 11 * ratio, 9 * ratio, 0, 7);
      ctx.fill();
      ctx.fillStyle = colour("--sheet");
      ctx.textAlign = "center";
      ctx.textBaseline = "middle";
      ctx.fillText(String(flag.number), middle, bbox.top + 11.5 * ratio);
    }
    ctx.restore();
  }

  width() {
    return Math.max(200, this.area.clientWidth);
  }

  fit() {
    if (this.plot && this.plot.width !== this.width()) this.plot.setSize({ width: this.width(), height: this.height });
  }

  destroy() {
    this.gone = true;
    this.observer.disconnect();
    this.plot?.destroy();
  }
}
