// Small helpers to build the page without a framework. Nodes are built once and then only written
// to when a text or attribute really changes, so that a 25 Hz stream costs next to nothing.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "text") node.textContent = value;
    else node.setAttribute(name === "className" ? "class" : name, value === true ? "" : value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return node;
}

/** Pixels of one rem: what is drawn grows with what is written. */
export function rem() {
  return Number.parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
}

/** Element with attributes (`onclick` etc. become listeners, `text` the content) and children. */
export function el(tag, attributes, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

/** The same for SVG. */
export function svg(tag, attributes, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

/** The `d` of a line through points [[a, b]], placed by `x` and `y`. */
export function polyline(points, x, y) {
  return points.map(([a, b], index) => `${index ? "L" : "M"}${x(a).toFixed(1)} ${y(b).toFixed(1)}`).join("");
}

export function setText(node, text) {
  if (node.lastText !== text) {
    node.lastText = text;
    node.textContent = text;
  }
}

export function setAttr(node, name, value) {
  if (value === null || value === undefined || value === false) {
    if (node.hasAttribute(name)) node.removeAttribute(name);
  } else if (node.getAttribute(name) !== String(value)) {
    node.setAttribute(name, value);
  }
}

export function show(node, visible) {
  node.classList.toggle("hidden", !visible);
}

const SHAPES = {
  parked: "M2 4h12v8H2z",
  ready: "M8 1.5a6.5 6.5 0 1 0 0 13 6.5 6.5 0 0 0 0-13zm0 2.6a3.9 3.9 0 1 1 0 7.8 3.9 3.9 0 0 1 0-7.8z",
  loaded: "M1 13C4 5 6 2.500 8.200 2.500 11.500 2.500 12.500 9 15 13z",
  easing: "M1.500 2.500 14.500 13.500H1.500z",
  tripped: "M8 .8 15.200 8 8 15.200.8 8z",
  unknown: "M2 7h12v2H2z",
  live: "M8 3a5 5 0 1 0 0 10A5 5 0 0 0 8 3z",
  silent: "M3 3h3.500v10H3zm6.500 0H13v10H9.500z",
  off: "M3.200 1.800 8 6.600l4.800-4.800 1.400 1.400L9.400 8l4.800 4.800-1.400 1.400L8 9.400l-4.800 4.800-1.400-1.400L6.600 8 1.800 3.200z",
  caution: "M8 1 15.500 14.500H.5zM7.100 6v4.200h1.800V6zm0 5.200V13h1.800v-1.800z",
  helm: "M7 1h2v3.100a4 4 0 0 1 2.900 2.900H15v2h-3.100A4 4 0 0 1 9 11.900V15H7v-3.100A4 4 0 0 1 4.100 9H1V7h3.100A4 4 0 0 1 7 4.100z",
  settings: "M1 3h8v2H1zm11 0h3v2h-3zM9 1.500h2v5H9zM1 11h3v2H1zm6 0h8v2H7zM4.500 9.500h2v5h-2z",
  down: "M1 3.500C6 3.500 8 11 12.200 11.600L12.200 9 15.500 12.400 12.200 15.500 12.200 13.200C6.500 12.600 5 5.200 1 5.200z",
  heat: "M8 1c.6 2.600 3.800 4.200 3.800 8.100A3.900 3.900 0 0 1 8 13.200a3.900 3.900 0 0 1-3.800-4.100c0-1.700.8-2.600 1.600-3.600.2 1.200.7 1.700 1.300 2C6.600 5.200 6.800 2.800 8 1zM2 14.200h12v1.500H2z",
  next: "M5 2.500 11.500 8 5 13.500z",
  done: "M2 8.500 3.500 7 6.500 10l6-6.500L14 5l-7.500 8z",
};

/** One of our own marks, decorative: a word always stands beside it. */
export function mark(name) {
  const path = svg("path", { d: SHAPES[name] ?? SHAPES.unknown, "fill-rule": "evenodd" });
  const node = svg("svg", { class: "mark", viewBox: "0 0 16 16", "aria-hidden": "true" }, path);
  node.become = (next) => setAttr(path, "d", SHAPES[next] ?? SHAPES.unknown);
  return node;
}
