// The hill of a grade climb: the road driven so far, the truck on it, the road ahead. A constant grade
// goes on as a straight line; a route is known, and the stretch about the truck is shown.

import { el, polyline, setAttr, svg } from "../dom.js";

const WIDTH = 400;
const HEIGHT = 120;
const STRETCH_M = 3000; // of a route
const BEHIND = 0.25; // share of the stretch that lies behind the truck

/** Height, or grade, at a distance: linear between the points of a road. */
export function between(road, distance) {
  let [low, high] = [0, road.length - 1];
  if (distance >= road[high][0]) return road[high][1];
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (road[middle][0] <= distance) low = middle;
    else high = middle;
  }
  const [[x0, y0], [x1, y1]] = [road[low], road[high]];
  return y0 + ((y1 - y0) * Math.max(0, distance - x0)) / (x1 - x0);
}

export class Hill {
  constructor() {
    this.fill = svg("path", { class: "hill-fill" });
    this.line = svg("path", { class: "hill-line" });
    this.ahead = svg("path", { class: "hill-ahead" });
    this.truck = svg("path", { class: "hill-truck" });
    const picture = svg(
      "svg",
      { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none", "aria-hidden": "true" },
      this.fill,
      this.ahead,
      this.line,
    );
    this.node = el("div", { className: "hill" }, picture);
    picture.append(this.truck);
  }

  /**
   * `climb`: [[distance m, height m]] driven so far; `grade` in per cent; `end` of the climb in m;
   * `road`: [[distance m, height m]] of the whole route, when it is one; `way`: metres driven.
   */
  draw(climb, grade, end, road = null, way = 0) {
    if (road) return this.drawRoute(road, way);
    if (climb.length < 1) return null;
    const [here, up] = climb.at(-1);
    const long = Math.max(end ?? 0, here * 1.15, 200);
    const slope = Number.isFinite(grade) ? grade / 100 : 0;
    return this.write(
      climb,
      [
        [here, up],
        [long, up + slope * (long - here)],
      ],
      0,
      long,
    );
  }

  drawRoute(road, way) {
    const all = road.at(-1)[0];
    const stretch = Math.min(all, STRETCH_M);
    const from = Math.max(0, Math.min(way - BEHIND * stretch, all - stretch));
    const to = from + stretch;
    const here = Math.min(way, all);
    const part = (a, b) => [[a, between(road, a)], ...road.filter(([x]) => x > a && x < b), [b, between(road, b)]];
    this.write(part(from, here), part(here, to), from, to);
  }

  write(driven, coming, from, to) {
    const ups = [...driven, ...coming].map((row) => row[1]);
    const [low, high] = [Math.min(...ups), Math.max(...ups)];
    const x = (distance) => ((distance - from) / (to - from)) * WIDTH;
    const y = (height) => HEIGHT - 10 - ((height - low) / Math.max(high - low, (to - from) * 0.01)) * (HEIGHT - 34);
    const [here, up] = coming[0];
    setAttr(this.line, "d", polyline(driven, x, y));
    setAttr(this.ahead, "d", polyline(coming, x, y));
    setAttr(
      this.fill,
      "d",
      `${polyline(driven, x, y)}L${x(here).toFixed(1)} ${HEIGHT}L${x(driven[0][0]).toFixed(1)} ${HEIGHT}Z`,
    );
    setAttr(this.truck, "d", `M${x(here).toFixed(1)} ${y(up).toFixed(1)}h.01`); // a dot that no stretching makes an egg
  }
}
