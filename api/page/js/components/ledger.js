// The ledger: where the power goes at this moment, per roll set, adding up to what the tyres
// deliver. One bar per roll set on one common scale; what the rolls give back lies left of zero.

import { el, setAttr, setText, show } from "../dom.js";
import { naturalName, t } from "../texts.js";
import { DASH, number, shown, toShown, unitOf, withUnit } from "../units.js";

const LADDER = [10, 20, 30, 40, 60, 80, 100, 150, 200, 300, 400, 600, 800, 1000, 1500];
const SIDES = [0.045, 0.15, 0.5]; // shares of the bar left of zero; the least that is enough is taken
const LABELLED = 0.1; // from this share on there is room to say what lies left of zero
const CALM_MS = 8000; // the scale grows at once and shrinks only after this long
const PARTS = ["absorbed", "lost", "inertia"];

const usable = (reading) => reading && reading.value !== null && reading.quality !== "missing";

/** Powers of one roll set in watt, null where a part is missing. */
export function entries(set) {
  const v = usable(set.speed) ? set.speed.value : null;
  const power = (force) => (v !== null && usable(force) ? force.value * v : null);
  return {
    absorbed: power(set.absorber_force),
    lost: power(set.loss_force),
    inertia: power(set.inertia_force),
    tyres: usable(set.power) ? set.power.value : null,
  };
}

const RANK = { good: 0, aging: 1, suspect: 2, missing: 3 };
export function worstQuality(readings) {
  return readings.reduce(
    (worst, reading) => (RANK[reading?.quality ?? "missing"] > RANK[worst] ? (reading?.quality ?? "missing") : worst),
    "good",
  );
}

function part(name) {
  const value = el("b", { className: "figure" });
  const word = el("span", {});
  const node = el(
    "span",
    { className: `part ${name}` },
    el("i", { className: `swatch ${name}`, "aria-hidden": "true" }),
    value,
    word,
  );
  return { node, value, word };
}

class Row {
  constructor(name) {
    this.name = name;
    this.title = el("h3", {});
    this.state = el("span", { className: "facts figure" });
    this.quality = el("span", { className: "quality" });
    this.total = el("span", { className: "row-total figure" });
    this.segments = Object.fromEntries(PARTS.map((key) => [key, el("i", { className: `segment ${key}` })]));
    this.tick = el("i", { className: "tick" });
    this.zero = el("i", { className: "zero" });
    this.half = el("i", { className: "half" });
    this.bar = el(
      "div",
      { className: "bar", "aria-hidden": "true" },
      this.half,
      ...Object.values(this.segments),
      this.zero,
      this.tick,
    );
    this.parts = Object.fromEntries(PARTS.map((key) => [key, part(key)]));
    this.node = el(
      "div",
      { className: "ledger-row" },
      el("div", { className: "row-head" }, this.title, this.state, this.quality, this.total),
      this.bar,
      el("div", { className: "row-parts" }, ...PARTS.map((key) => this.parts[key].node)),
    );
  }

  draw(values, upper, left) {
    const pct = (watt) => `${Math.max(0, (watt / upper) * (1 - left) * 100)}%`;
    const zero = left * 100;
    const inertia = values.inertia ?? 0;
    const absorbed = Math.max(0, values.absorbed ?? 0);
    const lost = Math.max(0, values.lost ?? 0);
    const place = (node, from, width) => {
      node.style.left = from;
      node.style.width = width;
    };
    const at = (watt) => `${zero + Math.max(-zero, Math.min(100 - zero, (watt / upper) * (1 - left) * 100))}%`;
    place(this.segments.absorbed, at(0), pct(absorbed));
    place(this.segments.lost, at(absorbed), pct(lost));
    if (inertia >= 0) place(this.segments.inertia, at(absorbed + lost), pct(inertia));
    else place(this.segments.inertia, at(inertia), pct(-inertia));
    this.zero.style.left = `${zero}%`;
    this.half.style.left = `${(zero + 100) / 2}%`;
    this.tick.style.left = at(values.tyres ?? 0);
    show(this.tick, values.tyres !== null);
  }

  write(set, values, radius) {
    setText(this.title, naturalName(this.name));
    const turns = usable(set.speed) && radius ? number((set.speed.value / radius) * (30 / Math.PI), 0) : DASH;
    setText(
      this.state,
      `${usable(set.speed) ? withUnit("speed", set.speed.value) : DASH}  ·  ${turns} rpm  ·  ${
        usable(set.tractive_force) ? withUnit("force", set.tractive_force.value) : DASH
      }`,
    );
    setText(this.total, `${shown("power", values.tyres)} ${unitOf("power")}`);
    for (const key of PARTS) {
      const value = values[key];
      const text =
        key === "inertia" ? t(value !== null && value < 0 ? "ledger.out" : "ledger.into") : t(`ledger.${key}`);
      setText(
        this.parts[key].value,
        shown("power", value === null ? null : key === "inertia" ? Math.abs(value) : value),
      );
      setText(this.parts[key].word, text);
      this.parts[key].node.classList.toggle("back", key === "inertia" && value !== null && value < 0);
    }
    const quality = worstQuality([set.speed, set.absorber_force, set.loss_force, set.inertia_force, set.power]);
    setText(this.quality, quality === "good" ? "" : t(`quality.${quality}`));
    setAttr(this.quality, "data-quality", quality);
  }
}

export class Ledger {
  constructor() {
    this.rows = new Map();
    this.body = el("div", { className: "ledger-rows" });
    this.total = el("span", { className: "figure ledger-figure" });
    this.totalUnit = el("span", { className: "unit" });
    this.caption = el("span", { className: "soft" });
    this.heading = el("h2", { className: "unseen" });
    this.sums = Object.fromEntries(PARTS.map((key) => [key, part(key)]));
    this.check = el("span", { className: "check" });
    this.back = el("span", { className: "scale-back" });
    this.low = el("span", { className: "figure" });
    this.high = el("span", { className: "figure" });
    this.middle = el("span", { className: "figure" });
    this.scaleNode = el(
      "div",
      { className: "scale soft", "aria-hidden": "true" },
      this.back,
      this.low,
      this.middle,
      this.high,
    );
    this.differ = el("span", { className: "figure" });
    this.node = el(
      "section",
      { className: "card ledger", "aria-labelledby": "ledger-title" },
      this.heading,
      el(
        "div",
        { className: "ledger-head" },
        el("div", { className: "ledger-total" }, this.caption, el("p", {}, this.total, " ", this.totalUnit)),
        el("div", { className: "ledger-sums" }, ...PARTS.map((key) => this.sums[key].node)),
        el("p", { className: "ledger-check" }, this.check, this.differ),
      ),
      this.body,
      this.scaleNode,
    );
    this.heading.id = "ledger-title";
    this.upper = 100_000;
    this.left = SIDES[0];
    this.smallSince = null;
  }

  /** Bars, from the same message as the figures. */
  draw(frame, now) {
    const all = frame.roll_sets.map(entries);
    const unit = toShown("power", 1) - toShown("power", 0);
    let need = 0;
    let back = 0;
    for (const value of all) {
      need = Math.max(
        need,
        (value.absorbed ?? 0) + (value.lost ?? 0) + Math.max(0, value.inertia ?? 0),
        value.tyres ?? 0,
      );
      back = Math.max(back, -(value.inertia ?? 0));
    }
    const fit = (side) => {
      const least = Math.max(need, (back * (1 - side)) / side) * unit * 1.02;
      return (LADDER.find((step) => step >= least) ?? LADDER[LADDER.length - 1]) / unit;
    };
    const widest = SIDES[SIDES.length - 1];
    const plenty = 2 * fit(widest);
    const side = back < 2000 ? SIDES[0] : (SIDES.find((share) => fit(share) <= plenty) ?? widest);
    const upper = fit(side);
    if (side > this.left || upper > this.upper)
      [this.upper, this.left] = [Math.max(upper, fit(side)), Math.max(side, this.left)];
    else if (side < this.left || upper < this.upper) {
      if (this.calm(now)) [this.upper, this.left] = [upper, side];
    } else this.smallSince = null;
    for (const [index, set] of frame.roll_sets.entries()) this.row(set.name).draw(all[index], this.upper, this.left);
  }

  calm(now) {
    this.smallSince ??= now;
    if (now - this.smallSince < CALM_MS) return false;
    this.smallSince = null;
    return true;
  }

  /** Figures. */
  write(frame, rig) {
    setText(this.heading, t("ledger.title"));
    setText(this.caption, t("ledger.tyres"));
    const sum = { absorbed: 0, lost: 0, inertia: 0, tyres: 0 };
    frame.roll_sets.forEach((set) => {
      const values = entries(set);
      const radius = rig?.roll_sets.find((known) => known.name === set.name)?.roll_radius_m;
      this.row(set.name).write(set, values, radius);
      for (const key of Object.keys(sum))
        sum[key] = sum[key] === null || values[key] === null ? null : sum[key] + values[key];
    });
    setText(this.total, shown("power", sum.tyres));
    setText(this.totalUnit, unitOf("power"));
    for (const key of PARTS) {
      const value = sum[key];
      const out = key === "inertia" && value !== null && value < 0;
      setText(
        this.sums[key].value,
        shown("power", value === null ? null : key === "inertia" ? Math.abs(value) : value),
      );
      setText(this.sums[key].word, key === "inertia" ? t(out ? "ledger.out" : "ledger.into") : t(`ledger.${key}`));
      this.sums[key].node.classList.toggle("back", out);
    }
    if ([sum.absorbed, sum.lost, sum.inertia, sum.tyres].some((one) => one === null)) {
      setText(this.check, t("ledger.open"));
      setAttr(this.check, "data-fits", "open");
    } else {
      const gap = sum.tyres - (sum.absorbed + sum.lost + sum.inertia);
      const fits = Math.abs(gap) <= Math.max(200, 0.005 * Math.abs(sum.tyres));
      setText(this.check, fits ? t("ledger.adds") : t("ledger.off", { power: withUnit("power", gap) }));
      setAttr(this.check, "data-fits", fits ? "yes" : "no");
    }
    const facts = [];
    const speeds = frame.roll_sets.map((set) => (usable(set.speed) ? set.speed.value : null));
    if (speeds.length === 2 && !speeds.includes(null) && Math.max(...speeds) > 1) {
      const difference = (speeds[1] - speeds[0]) / ((speeds[0] + speeds[1]) / 2);
      facts.push(`${t("ledger.differ")} ${number(difference * 100, 2, true)} %`);
    }
    if (usable(frame.slip)) facts.push(`${t("ledger.slip")} ${number(frame.slip.value * 100, 1, true)} %`);
    setText(this.differ, frame.tyre_slip ? `▲ ${t("ledger.slips")} · ${facts.join(" · ")}` : facts.join(" · "));
    setAttr(this.differ, "data-slips", frame.tyre_slip ? "yes" : null);
    const unit = toShown("power", 1) - toShown("power", 0);
    setText(this.back, this.left < LABELLED ? "" : t("ledger.back"));
    setText(this.low, "0");
    setText(this.high, `${number(this.upper * unit, 0)} ${unitOf("power")}`);
    setText(this.middle, number((this.upper * unit) / 2, this.upper * unit < 20 ? 1 : 0));
    this.low.style.left = `${this.left * 100}%`;
    this.middle.style.left = `${(this.left + 1) * 50}%`;
    this.back.style.width = `calc(${this.left * 100}% - 12px)`;
  }

  row(name) {
    let row = this.rows.get(name);
    if (!row) {
      row = new Row(name);
      this.rows.set(name, row);
      this.body.append(row.node);
    }
    return row;
  }
}
