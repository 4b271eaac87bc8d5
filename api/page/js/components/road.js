// The road ahead of a speed trace: the band to keep inside, the speed asked for, where the truck is
// and has been, the next seconds to the right. Drawn once per frame on canvas, for three metres.

import { number, toShown, unitOf } from "../units.js";
import { DrawnCanvas } from "./drawn-canvas.js";

const BACK_S = 5;
const WINDOW_S = 1; // the band is that of the highest and lowest target within a second, 40 CFR 1066.425

/** Band around a target series: [[t, low, target, high]]; `half` is the band's half width. */
export function bandOf(series, half) {
  return series.map(([time, target]) => {
    let low = target;
    let high = target;
    for (const [at, value] of series) {
      if (Math.abs(at - time) <= WINDOW_S) {
        low = Math.min(low, value);
        high = Math.max(high, value);
      }
    }
    return [time, Math.max(0, low - half), target, high + half];
  });
}

/** Past and coming targets of a running trace, seconds from now. */
function targets(test, ring) {
  const series = [];
  const now = ring.latest;
  let last = -Infinity;
  ring.each(now - BACK_S - WINDOW_S, (time, _, target) => {
    const at = time - now;
    if (Number.isFinite(target) && at - last >= 0.1) {
      series.push([at, target]);
      last = at;
    }
  });
  for (const [at, target] of test.ahead) if (at > 0) series.push([at, target]);
  return series;
}

const INKS = {
  ink: "--ink",
  soft: "--ink-soft",
  band: "--road-band",
  edge: "--absorbed",
  target: "--inertia",
  sheet: "--sheet",
};

export class Road extends DrawnCanvas {
  constructor() {
    super("road", INKS);
    this.fill(this.canvas);
  }

  draw(test, ring, stale) {
    const [width, height] = this.size;
    if (!width || !ring.count) return;
    this.begin();
    const { context, colours } = this;
    const series = targets(test, ring);
    if (series.length < 2) return;
    const nowTarget = series.filter(([at]) => Math.abs(at) <= WINDOW_S).map(([, target]) => target);
    const half = Math.max(0.2, test.band_high_mps - Math.max(...nowTarget));
    const band = bandOf(series, half);
    const ahead = Math.max(4, test.ahead.at(-1)?.[0] ?? 0, this.ahead ?? 0);
    this.ahead = ahead;
    const past = [];
    ring.each(ring.latest - BACK_S, (time, value) => past.push([time - ring.latest, value]));
    const high = Math.max(
      ...band.map((row) => row[3]),
      ...past.map(([, value]) => (Number.isFinite(value) ? value : 0)),
    );
    const low = Math.min(
      ...band.map((row) => row[1]),
      ...past.map(([, value]) => (Number.isFinite(value) ? value : Infinity)),
    );
    // the scale follows slowly, so that the road flows instead of hopping
    const span = Math.max(6 * half, (high - low) * 1.15);
    const middle = (high + low) / 2;
    this.span = this.span ? this.span + (span - this.span) * 0.06 : span;
    this.middle = this.middle === undefined ? middle : this.middle + (middle - this.middle) * 0.06;
    const x = (at) => ((at + BACK_S) / (BACK_S + ahead)) * width;
    const y = (value) => height / 2 - ((value - this.middle) / this.span) * (height - 16);
    const trace = (column) => {
      for (const row of band) context.lineTo(x(row[0]), y(row[column])); // the first lineTo of a path moves
    };
    context.beginPath();
    trace(3);
    for (let index = band.length - 1; index >= 0; index -= 1) context.lineTo(x(band[index][0]), y(band[index][1]));
    context.fillStyle = colours.band;
    context.fill();
    for (const column of [1, 3]) {
      this.line(band, (row) => [x(row[0]), y(row[column])], stale ? colours.soft : colours.edge, 2.5);
    }
    this.line(band, (row) => [x(row[0]), y(row[2])], colours.target, 3, [10, 8]);
    const here = x(0);
    context.strokeStyle = colours.soft;
    context.lineWidth = 2;
    this.rule(here, 0, here, height);
    context.font = `600 ${Math.max(13, Math.min(22, height / 14))}px ${colours.font}`;
    context.fillStyle = colours.soft;
    context.textBaseline = "bottom";
    for (let at = 2; at < ahead; at += 2) {
      context.textAlign = "center";
      context.fillText(`+${at} s`, x(at), height - 4);
    }
    const last = series.at(-1);
    context.textAlign = "right";
    context.textBaseline = "middle";
    context.fillStyle = colours.ink;
    const ending = `${number(toShown("speed", last[1]), 0)} ${unitOf("speed")}`;
    const above = y(last[1] + half) - 14;
    const place = above < 16 ? Math.min(height - 16, y(last[1] - half) + 16) : above; // no room above the band
    context.lineJoin = "round"; // its own ground: the road runs under it
    context.lineWidth = 7;
    context.strokeStyle = colours.sheet;
    context.strokeText(ending, width - 8, place);
    context.fillText(ending, width - 8, place);
    const ink = stale ? colours.soft : colours.ink;
    this.line(past, ([at, value]) => [x(at), y(value)], ink, 5);
    const now = past.at(-1)?.[1];
    if (Number.isFinite(now)) this.dot(here, y(now), Math.max(9, Math.min(18, height / 18)), ink, colours.sheet, 4);
  }
}

/** Where the truck is in its band: -1 below, 0 inside, 1 above; null when not known. */
export function inBand(test) {
  if (test.measured === null || test.band_low_mps === null || test.band_high_mps === null) return null;
  if (test.measured < test.band_low_mps) return -1;
  return test.measured > test.band_high_mps ? 1 : 0;
}
