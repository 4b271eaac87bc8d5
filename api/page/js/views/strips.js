// Up to eight readings as live strips, each with its figure: what a calibrator watches while turning a
// screw. Which readings is kept on the tablet; their history runs while this page is open.

import { StripChart } from "../components/strip.js";
import { rigNav } from "../components/subnav.js";
import { el, setAttr, setText } from "../dom.js";
import { lower, naturalName, t } from "../texts.js";
import { DASH, quantityOf, shown, toShown, unitOf } from "../units.js";

const KEY = "drumlin.strips";
const MOST = 8;
const SECONDS = 30;
const LEAST = {
  speed: 2,
  power: 5,
  force: 100,
  rotation: 40,
  temperature: 4,
  pressure: 2,
  current: 1,
  acceleration: 0.2,
  torque: 20,
};

/** Every reading of a frame that can be drawn: key, name, quantity and how it is read. */
export function readable(frame) {
  const found = [["engine", t("target.engine"), "rotation", (one) => one.engine_speed]];
  frame.roll_sets.forEach((set, index) => {
    const name = naturalName(set.name);
    const of = (part) => (one) => one.roll_sets[index]?.[part];
    found.push(
      [`set/${set.name}/speed`, `${name}: ${lower(t("target.speed"))}`, "speed", of("speed")],
      [`set/${set.name}/power`, `${name}: ${lower(t("run.power"))}`, "power", of("power")],
      [`set/${set.name}/force`, `${name}: ${lower(t("run.force"))}`, "force", of("tractive_force")],
      [
        `set/${set.name}/acceleration`,
        `${name}: ${lower(t("strips.acceleration"))}`,
        "acceleration",
        of("acceleration"),
      ],
    );
  });
  frame.absorbers.forEach((absorber, index) => {
    const name = naturalName(absorber.name);
    const of = (part) => (one) => one.absorbers[index]?.[part];
    found.push(
      [`absorber/${absorber.name}/force`, `${name}: ${lower(t("target.force"))}`, "force", of("force")],
      [`absorber/${absorber.name}/current`, `${name}: ${lower(t("rig.current"))}`, "current", of("current")],
    );
  });
  for (const [name, reading] of Object.entries(frame.slow ?? {}))
    found.push([`slow/${name}`, naturalName(name), quantityOf(reading.unit), (one) => one.slow?.[name]]);
  return found;
}

/** Eight to begin with: engine, speeds, powers and forces, then whatever else there is. */
function usual(names) {
  const wanted = [
    /^engine/,
    /power$/,
    /\/speed$/,
    /^set\/.*\/force$/,
    /^slow\/oil/,
    /^slow\/boost/,
    /current$/,
    /^slow/,
  ];
  return wanted
    .flatMap((form) => names.filter((name) => form.test(name)))
    .filter((name, index, all) => all.indexOf(name) === index)
    .slice(0, MOST);
}

function keptNames() {
  try {
    return JSON.parse(localStorage.getItem(KEY) ?? "null");
  } catch {
    return null;
  }
}

export default class StripsView {
  constructor({ store }) {
    this.store = store;
    this.rows = [];
    this.grid = el("div", { className: "strips" });
    this.node = el(
      "div",
      { className: "strips-page" },
      rigNav("strips"),
      el("h1", { className: "unseen", text: t("sub.strips") }),
      this.grid,
    );
  }

  /** Build once it is known what this rig reads. */
  build(frame) {
    const all = readable(frame);
    /** @type {Map<string, any[]>} */
    const known = new Map(all.map((one) => [one[0], one]));
    const kept = (keptNames() ?? []).filter((name) => known.has(name));
    const names = (kept.length ? kept : usual(all.map(([name]) => name))).slice(0, MOST);
    this.known = known;
    this.rows = names.map((name) => this.row(name, all));
    this.grid.replaceChildren(...this.rows.map((row) => row.node));
  }

  row(name, all) {
    const select = el(
      "select",
      { "aria-label": t("strips.choose") },
      all.map(([key, label]) => el("option", { value: key, text: label })),
    );
    select.value = name;
    const row = {
      select,
      figure: el("b", { className: "figure" }),
      unit: el("span", { className: "unit" }),
      holder: el("div", { className: "strip-holder" }),
    };
    row.node = el(
      "section",
      { className: "card strip-card" },
      el("div", { className: "strip-head" }, select, el("p", {}, row.figure, " ", row.unit)),
      row.holder,
    );
    select.addEventListener("change", () => {
      this.follow(row, select.value);
      localStorage.setItem(KEY, JSON.stringify(this.rows.map((one) => one.name)));
    });
    this.follow(row, name);
    return row;
  }

  follow(row, name) {
    row.name = name;
    const [, label, quantity, read] = this.known?.get(name) ?? [];
    row.quantity = quantity;
    row.read = read;
    row.ring = this.store.follow(name, row.read);
    row.chart?.destroy();
    row.chart = new StripChart({
      seconds: SECONDS,
      scale: (si) => toShown(row.quantity, si),
      least: LEAST[row.quantity] ?? 1,
      digits: ["speed", "acceleration", "current"].includes(row.quantity) ? 1 : 0,
    });
    row.holder.replaceChildren(row.chart.canvas);
    setAttr(row.chart.canvas, "aria-label", t("target.strip", { n: SECONDS, what: label }));
    setText(row.unit, unitOf(row.quantity));
  }

  draw(now) {
    const stale = this.store.stale(now);
    for (const row of this.rows) row.chart.draw(row.ring, { stale });
  }

  write() {
    const frame = this.store.telemetry?.measured;
    if (!frame) return;
    if (!this.rows.length) this.build(frame);
    for (const row of this.rows) {
      const reading = row.read(frame);
      setText(row.figure, reading && reading.value !== null ? shown(row.quantity, reading.value) : DASH);
      setAttr(row.node, "data-quality", reading?.quality ?? "missing");
    }
  }

  repaint() {
    for (const row of this.rows) row.chart.repaint();
  }

  leave() {
    this.store.followed.clear();
    for (const row of this.rows) row.chart.destroy();
  }
}
