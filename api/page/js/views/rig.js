// Rig and faults: what stands in the way, why, what to do next; inputs, every reading with its
// quality and age, and how the loop and the link are doing.

import { Air } from "../components/air.js";
import { faultText } from "../components/guide.js";
import { rigNav } from "../components/subnav.js";
import { el, setAttr, setText } from "../dom.js";
import { lower, naturalName, t, tOr } from "../texts.js";
import { DASH, number, quantityOf, shown, unitOf, written as unitText } from "../units.js";

const RADPS = 30 / Math.PI;

/** Rows of a table, built once per key and written over. */
class Rows {
  constructor(columns) {
    this.columns = columns;
    this.body = el("tbody", {});
    this.rows = new Map();
  }

  write(key, cells, quality) {
    let row = this.rows.get(key);
    if (!row) {
      row = cells.map((_, index) =>
        el(index === 0 ? "th" : "td", index === 0 ? { scope: "row" } : { className: this.columns[index] ?? "" }),
      );
      const node = el("tr", {}, row);
      this.rows.set(key, row);
      this.body.append(node);
    }
    for (const [index, text] of cells.entries()) setText(row[index], text);
    if (quality) {
      const last = row[this.columns.indexOf("quality")];
      if (last) setAttr(last, "data-quality", quality);
    }
  }
}

function slowText(_name, reading) {
  if (reading.value === null) return [DASH, ""];
  const quantity = quantityOf(reading.unit);
  return [shown(quantity, reading.value), unitOf(quantity)];
}

export default class RigView {
  constructor({ store }) {
    this.store = store;
    this.faults = el("div", { className: "faults" });
    this.inputs = new Rows(["", ""]);
    this.health = new Rows(["", "figure"]);
    this.readings = new Rows(["", "figure", "", "quality", "figure"]);
    this.air = new Air();
    const heading = (key) => el("h2", { text: t(key) });
    this.node = el(
      "div",
      { className: "rig-page" },
      el("div", { className: "rig-nav" }, rigNav("rig")),
      el("h1", { className: "unseen", text: t("rig.title") }),
      el(
        "div",
        { className: "rig-column" },
        el("section", { className: "card" }, heading("rig.faults"), this.faults),
        el(
          "section",
          { className: "card inputs" },
          heading("rig.inputs"),
          el("table", { className: "pairs" }, this.inputs.body),
        ),
        el(
          "section",
          { className: "card" },
          heading("rig.health"),
          el("table", { className: "pairs" }, this.health.body),
        ),
        this.air.node,
      ),
      el(
        "section",
        { className: "card readings" },
        heading("rig.channels"),
        el(
          "table",
          {},
          el(
            "thead",
            {},
            el(
              "tr",
              {},
              el("th", { scope: "col", text: t("rig.channel") }),
              el("th", { scope: "col", className: "figure", text: t("rig.value") }),
              el("td", {}),
              el("th", { scope: "col", text: t("rig.quality") }),
              el("th", { scope: "col", className: "figure", text: t("rig.age") }),
            ),
          ),
          this.readings.body,
        ),
      ),
    );
    this.faultKey = null;
  }

  write(now) {
    const { telemetry } = this.store;
    if (!telemetry) {
      setText(this.faults, t("link.never"));
      return;
    }
    this.writeFaults(telemetry);
    this.writeHealth(telemetry.health);
    if (telemetry.measured) {
      this.writeInputs(telemetry.measured);
      this.writeReadings(telemetry.measured, this.store.ageMs(now) / 1000, this.store.stale(now));
    }
  }

  writeFaults(telemetry) {
    const key = JSON.stringify([
      telemetry.first_cause,
      telemetry.faults.map((fault) => [fault.code, fault.active, fault.text]),
    ]);
    if (key === this.faultKey) return;
    this.faultKey = key;
    const cards = [...telemetry.faults]
      .sort((a, b) => Number(b.active) - Number(a.active))
      .map((fault) => {
        const words = faultText(fault);
        return el(
          "article",
          { className: "fault", "data-effect": fault.effect, "data-active": fault.active ? "yes" : "no" },
          el("h3", { text: words.text }),
          el("p", {
            className: "fault-effect",
            text: `${fault.active ? tOr(`rig.effect.${fault.effect}`, fault.effect) : t("rig.past")} · ${fault.code}`,
          }),
          words.remedy ? el("p", {}, el("b", { text: `${t("rig.next")}: ` }), words.remedy) : null,
        );
      });
    this.faults.replaceChildren(
      ...(cards.length ? cards : [el("p", { className: "all-clear", text: t("rig.nofaults") })]),
    );
  }

  writeInputs(frame) {
    const { inputs } = this;
    inputs.write("chain", [t("rig.chain"), t(frame.stop_chain_closed ? "rig.closed" : "rig.opened")]);
    inputs.write("ties", [
      t("rig.ties"),
      frame.tie_downs === null ? t("rig.noinput") : t(frame.tie_downs ? "rig.secured" : "rig.loose"),
    ]);
    inputs.write("permission", [
      t("rig.permission"),
      t(`rig.permission.${frame.permission}`, { ms: number((frame.permission_left_s ?? 0) * 1000) }),
    ]);
    for (const [name, on] of Object.entries(frame.digital ?? {})) {
      if (name === "stop-chain" || name === "tie-downs") continue;
      inputs.write(`digital.${name}`, [naturalName(name), t(on ? "rig.on" : "rig.off")]);
    }
  }

  writeHealth(health) {
    const ms = (value) => (value === null ? DASH : number(value, 2));
    const { health: rows } = this;
    rows.write("period", [
      t("rig.period"),
      health.period_p50_ms === null
        ? DASH
        : `${ms(health.period_p50_ms)} / ${ms(health.period_p99_ms)} / ${ms(health.period_max_ms)} ms`,
    ]);
    rows.write("overruns", [t("rig.overruns"), number(health.overruns)]);
    rows.write("frames", [t("rig.frames"), `${number(health.frames)}, ${number(health.frames_lost)}`]);
    rows.write("crc", [
      t("rig.crc"),
      `${number(health.crc_failures)}, ${number(health.frames_contradicting)}, ${number(health.bytes_discarded)}`,
    ]);
    rows.write("reconnects", [t("rig.reconnects"), number(health.reconnects)]);
    rows.write("recorder", [t("rig.recorder"), tOr(`rig.recorder.${health.recorder}`, health.recorder)]);
  }

  writeReadings(frame, silentS, stale) {
    const row = (key, name, value, unit, reading) => {
      const age = frame.time_s - reading.time_s + (Number.isFinite(silentS) ? silentS : 0);
      const quality = stale && reading.quality === "good" ? "aging" : reading.quality; // it was good then
      this.readings.write(
        key,
        [
          name,
          value,
          unit,
          t(`quality.${quality}`),
          reading.value === null ? DASH : `${number(Math.max(0, age), 1)} s`,
        ],
        quality,
      );
    };
    for (const set of frame.roll_sets) {
      const name = naturalName(set.name);
      row(
        `${set.name}.speed`,
        `${name}: ${lower(t("ledger.speed"))}`,
        shown("speed", set.speed.value, 2),
        unitOf("speed"),
        set.speed,
      );
      row(
        `${set.name}.force`,
        `${name}: ${lower(t("run.force"))}`,
        shown("force", set.tractive_force.value),
        unitOf("force"),
        set.tractive_force,
      );
    }
    const engine = frame.engine_speed;
    row(
      "engine",
      t("target.engine"),
      engine.value === null ? DASH : number(engine.value * RADPS, 0),
      unitText("rpm"),
      engine,
    );
    for (const absorber of frame.absorbers) {
      const name = naturalName(absorber.name);
      row(
        `${absorber.name}.cell`,
        `${name}: ${t("rig.cell")}`,
        shown("force", absorber.cell_force.value, 1),
        unitOf("force"),
        absorber.cell_force,
      );
      row(
        `${absorber.name}.current`,
        `${name}: ${t("rig.current")}`,
        shown("current", absorber.current.value),
        unitOf("current"),
        absorber.current,
      );
    }
    for (const [name, reading] of Object.entries(frame.slow ?? {})) {
      const [value, unit] = slowText(name, reading);
      row(`slow.${name}`, naturalName(name), value, unit, reading);
    }
  }
  leave() {
    this.air.leave();
  }
}
