// What every picture that is drawn live on canvas shares: its size on the device's pixels, the inks
// of the page's day or night, and a line that ends where the data ends.

import { el } from "../dom.js";

const NIGHT = "(prefers-color-scheme: dark)";

export class DrawnCanvas {
  /** `inks` names the page's colours that it draws with: { name: custom property }. */
  constructor(className, inks) {
    this.canvas = el("canvas", { className, role: "img" });
    this.context = this.canvas.getContext("2d");
    this.size = [0, 0]; // CSS pixels
    this.drawn = ""; // what the picture shows now; "" when it has to be drawn anew
    this.inks = inks;
    /** @type {any} */
    this.colours = null;
    this.observer = new ResizeObserver(([entry]) => {
      const ratio = devicePixelRatio || 1;
      this.size = [entry.contentRect.width, entry.contentRect.height];
      this.canvas.width = Math.round(this.size[0] * ratio);
      this.canvas.height = Math.round(this.size[1] * ratio);
      this.again();
    });
    this.repaint = () => {
      this.colours = null;
      this.again();
    };
    matchMedia(NIGHT).addEventListener("change", this.repaint);
  }

  again() {
    this.drawn = "";
  }

  /** The canvas takes the size of this element from now on. */
  fill(node) {
    this.observer.observe(node);
  }

  destroy() {
    this.observer.disconnect();
    matchMedia(NIGHT).removeEventListener("change", this.repaint);
  }

  /** Whether it has to be drawn for this stamp of what it shows: else it stands there already. */
  due(stamp) {
    if (!this.size[0] || this.drawn === stamp) return false;
    this.drawn = stamp;
    return true;
  }

  /** An empty picture in CSS pixels, its inks read. */
  begin() {
    if (!this.colours) {
      const style = getComputedStyle(this.canvas);
      this.colours = { font: style.fontFamily };
      for (const [name, property] of Object.entries(this.inks)) {
        this.colours[name] = style.getPropertyValue(property).trim();
      }
    }
    const ratio = devicePixelRatio || 1;
    this.context.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.context.clearRect(0, 0, this.size[0], this.size[1]);
  }

  /** A straight line of width and ink already chosen. */
  rule(fromX, fromY, toX, toY) {
    this.context.beginPath();
    this.context.moveTo(fromX, fromY);
    this.context.lineTo(toX, toY);
    this.context.stroke();
  }

  /** The points' line; a point that `place` gives no finite height is a hole in it. */
  line(points, place, ink, width, dash = []) {
    const { context } = this;
    context.strokeStyle = ink;
    context.lineWidth = width;
    context.lineJoin = "round";
    context.setLineDash(dash);
    context.beginPath();
    let pen = false;
    for (const point of points) {
      const [x, y] = place(point);
      if (Number.isFinite(y)) context[pen ? "lineTo" : "moveTo"](x, y);
      pen = Number.isFinite(y);
    }
    context.stroke();
    context.setLineDash([]);
  }

  /** A filled dot, with a rim when an ink for it is given. */
  dot(x, y, radius, ink, rim = "", rimWidth = 0) {
    const { context } = this;
    context.beginPath();
    context.arc(x, y, radius, 0, 7);
    context.fillStyle = ink;
    context.fill();
    if (!rim) return;
    context.strokeStyle = rim;
    context.lineWidth = rimWidth;
    context.stroke();
  }
}
