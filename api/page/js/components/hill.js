// The hill of a grade climb: the profile driven so far, the truck on it, the grade under it.

import { el, setAttr, svg } from "../dom.js";

const WIDTH = 400;
const HEIGHT = 120;

export class Hill {
  constructor() {
    this.fill = svg("path", { class: "hill-fill" });
    this.line = svg("path", { class: "hill-line" });
    this.ahead = svg("line", { class: "hill-ahead" });
    this.truck = svg("path", { class: "hill-truck" });
    const picture = svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none", "aria-hidden": "true" }, this.fill, this.ahead, this.line);
    this.node = el("div", { className: "hill" }, picture);
    picture.append(this.truck);
  }

  /** `climb`: [[distance m, height m]] driven so far; `grade` in per cent; `end` of the climb in m. */
  draw(climb, grade, end) {
    if (climb.length < 1) return;
    const [here, up] = climb.at(-1);
    const long = Math.max(end ?? 0, here * 1.15, 200);
    const slope = Number.isFinite(grade) ? grade / 100 : 0;
    const heights = climb.map((row) => row[1]);
    const then = up + slope * (long - here);
    const [low, high] = [Math.min(...heights, then, 0), Math.max(...heights, then, 1)];
    const x = (distance) => (distance / long) * WIDTH;
    const y = (height) => HEIGHT - 10 - ((height - low) / Math.max(high - low, long * 0.01)) * (HEIGHT - 34);
    const path = climb.map(([distance, height], index) => `${index ? "L" : "M"}${x(distance).toFixed(1)} ${y(height).toFixed(1)}`).join("");
    setAttr(this.line, "d", path);
    setAttr(this.fill, "d", `${path}L${x(here).toFixed(1)} ${HEIGHT}L${x(climb[0][0]).toFixed(1)} ${HEIGHT}Z`);
    for (const [name, value] of [["x1", x(here)], ["y1", y(up)], ["x2", x(long)], ["y2", y(then)]]) setAttr(this.ahead, name, value.toFixed(1));
    setAttr(this.truck, "d", `M${x(here).toFixed(1)} ${y(up).toFixed(1)}h.01`); // a dot that no stretching makes an egg
  }
}
