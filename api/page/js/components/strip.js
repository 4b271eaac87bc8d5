// A short history strip on canvas: band, set point, measured. The newest point is at the right edge
// and is marked; a hole in the data is a hole in the line. Drawn at most once per frame.

import { rem } from "../dom.js";
import { number } from "../units.js";
import { DrawnCanvas } from "./drawn-canvas.js";

const NICE = [1, 2, 2.5, 5, 10];

export function niceStep(span, parts) {
  const rough = span / parts;
  const power = 10 ** Math.floor(Math.log10(rough));
  return power * (NICE.find((step) => step * power >= rough - 1e-12) ?? NICE[NICE.length - 1]);
}

const INKS = { soft: "--ink-soft", line: "--line", band: "--band", value: "--absorbed", target: "--inertia" };

export class StripChart extends DrawnCanvas {
  /** `scale` turns the stored SI value into the shown one; `least` is the smallest span shown. */
  constructor({ seconds = 30, scale = (x) => x, least = 20, digits = 0 }) {
    super("strip", INKS);
    this.seconds = seconds;
    this.scale = scale;
    this.least = least;
    this.digits = digits;
    this.low = NaN;
    this.high = NaN;
    this.fill(this.canvas);
  }

  /** Draw the ring's last seconds; `band` is the relative half width around the set point. */
  draw(ring, { band = 0, stale = false, key = ring.latest } = {}) {
    if (!this.due(`${key}|${stale}|${ring.count}`)) return;
    this.begin();
    const { context, colours } = this;
    const [width, height] = this.size;
    if (!ring.count) return;
    const end = ring.latest;
    const start = end - this.seconds;
    let low = Infinity;
    let high = -Infinity;
    ring.each(start, (_, value, target) => {
      for (const x of [value, target]) {
        if (Number.isFinite(x)) {
          low = Math.min(low, x);
          high = Math.max(high, x);
        }
      }
    });
    if (!Number.isFinite(low)) return;
    low = this.scale(low);
    high = this.scale(high);
    // around the set point when there is one, so that equal errors look equal
    const target = this.scale(ring.latestTarget);
    const centred = Number.isFinite(target);
    const middle = centred ? target : (low + high) / 2;
    const span = Math.max(this.least, (centred ? 2 * Math.max(high - middle, middle - low) : high - low) * 1.25);
    const step = niceStep(span, 3);
    // the axis grows at once and shrinks only when half of it is empty, so that it does not hop
    const fits = low >= this.low && high <= this.high && span > (this.high - this.low) * 0.4;
    if (!fits || (centred && this.centre !== middle)) {
      this.centre = centred ? middle : undefined;
      if (centred) {
        const half = Math.ceil(span / 2 / step) * step;
        this.low = low >= 0 ? Math.max(0, middle - half) : middle - half; // no speed below none
        this.high = middle + half;
      } else {
        this.low = Math.floor((middle - span / 2) / step) * step;
        if (low >= 0) this.low = Math.max(0, this.low);
        this.high = Math.ceil((middle + span / 2) / step) * step;
      }
    }
    const top = 8;
    const foot = height - 8;
    const right = width - 3.4 * rem();
    const y = (value) => foot - ((value - this.low) / (this.high - this.low)) * (foot - top);
    const x = (time) => ((time - start) / this.seconds) * right;
    context.font = `500 ${0.81 * rem()}px ${colours.font}`;
    context.textBaseline = "middle";
    context.lineWidth = 1;
    const axis = niceStep(this.high - this.low, height < 170 ? 2 : 4);
    const first = centred ? middle - Math.floor((middle - this.low) / axis) * axis : Math.ceil(this.low / axis) * axis;
    for (let at = first; at <= this.high + 1e-9; at += axis) {
      context.strokeStyle = colours.line;
      const level = Math.round(y(at)) + 0.5;
      this.rule(0, level, right, level);
      context.fillStyle = colours.soft;
      context.fillText(number(at, this.digits), right + 10, Math.min(foot - 2, Math.max(top + 4, y(at))));
    }
    const points = [];
    ring.each(start, (time, value, target) => points.push([x(time), value, target]));
    if (band > 0) {
      context.fillStyle = colours.band;
      context.beginPath();
      /** @type {any} */
      let from = null;
      for (const [px, , target] of [...points, [NaN, NaN, NaN]]) {
        const shown = this.scale(target);
        if (from && from.shown !== shown) {
          const up = y(from.shown * (1 + band));
          context.rect(from.px, up, from.last - from.px + 1, Math.max(2, y(from.shown * (1 - band)) - up));
          from = null;
        }
        if (!Number.isFinite(shown)) continue;
        if (from) from.last = px;
        else from = { px, last: px, shown };
      }
      context.fill();
    }
    const ink = stale ? colours.soft : colours.value;
    this.line(points, (point) => [point[0], y(this.scale(point[2]))], colours.target, 2, [7, 5]);
    this.line(points, (point) => [point[0], y(this.scale(point[1]))], ink, 2.5);
    const lastPoint = points[points.length - 1];
    if (lastPoint && Number.isFinite(lastPoint[1])) this.dot(lastPoint[0], y(this.scale(lastPoint[1])), 5, ink);
  }
}
