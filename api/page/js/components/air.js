// The air beside the rig now, what follows from it, and what a power correction would make of it. Only
// shown: a result carries the correction from the weather of its own recording.

import { get } from "../api.js";
import { el, setAttr, setText, show } from "../dom.js";
import { told, toldAll } from "../messages.js";
import { t } from "../texts.js";
import { DASH, number, withUnit } from "../units.js";
import { ruleName } from "./evaluations.js";

const REFRESH_MS = 5000;
// corrections by weather alone
const RULES = ["none", "iso-1585-spark", "j1349-2004-spark", "j1349-1990-spark", "j607-spark", "din-70020"];
const ROWS = ["temperature", "pressure", "humidity", "dewpoint", "density"];
let chosen = ""; // the one that is offered

export class Air {
  constructor() {
    this.cells = Object.fromEntries(ROWS.map((name) => [name, el("td", { className: "figure", text: DASH })]));
    this.factor = el("b", { className: "figure air-factor", text: DASH });
    this.note = el("p", { className: "soft" });
    this.rule = el(
      "select",
      {
        id: "air-rule",
        onchange: () => {
          chosen = this.rule.value;
          this.read();
        },
      },
      el("option", { value: "", text: t("air.offered") }),
      RULES.map((rule) => el("option", { value: rule, text: ruleName(rule) })),
    );
    this.rule.value = chosen;
    this.table = el(
      "table",
      { className: "pairs" },
      el(
        "tbody",
        {},
        ROWS.map((name) => el("tr", {}, el("th", { scope: "row", text: t(`air.${name}`) }), this.cells[name])),
      ),
    );
    this.correction = el(
      "div",
      { className: "air-correction" },
      el("label", { className: "field", for: "air-rule" }, t("air.rule"), this.rule),
      this.factor,
    );
    this.node = el(
      "section",
      { className: "card air" },
      el("h2", { text: t("air.title") }),
      this.table,
      this.correction,
      this.note,
    );
    this.read();
    this.timer = setInterval(() => this.read(), REFRESH_MS);
  }

  async read() {
    const rule = chosen;
    const answer = await get(`/api/weather${rule ? `?rule=${rule}` : ""}`);
    if (this.gone || rule !== chosen) return;
    show(this.table, answer.ok);
    setAttr(this.node, "data-known", answer.ok ? "yes" : "no");
    if (!answer.ok) {
      setText(this.factor, DASH);
      const { detail, remedy } = answer.problem ?? {};
      setText(this.note, answer.status ? [detail, remedy].filter(Boolean).join(" ") : t("answer.silent"));
      return;
    }
    const { weather, correction } = answer.data;
    setText(this.cells.temperature, withUnit("temperature", weather.temperature_k, 1));
    setText(this.cells.pressure, withUnit("pressure", weather.pressure_pa));
    setText(this.cells.humidity, withUnit("ratio", weather.relative_humidity));
    setText(
      this.cells.dewpoint,
      answer.data.dewpoint_k === null ? DASH : withUnit("temperature", answer.data.dewpoint_k, 1),
    );
    setText(this.cells.density, `${number(answer.data.air_kg_m3, 3)} kg/m³`);
    setText(this.factor, `× ${number(correction.factor, 4)}`);
    const flags = toldAll(correction, "flags");
    const words = [rule ? "" : told(answer.data, "why"), correction.valid ? "" : t("air.invalid"), ...flags].filter(
      Boolean,
    );
    setText(this.note, [...new Set(words)].join(" ")); // the reason may be a flag as well
  }

  leave() {
    this.gone = true;
    clearInterval(this.timer);
  }
}
