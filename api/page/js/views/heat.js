// Heat: how long the rig may go on now, with its interval; each rotor beside its limits; how many
// minutes any power and speed may last; what each absorber has been through and what is due.

import { get } from "../api.js";
import { headroomKind, intervalMinutes, minutes, tightest } from "../components/headroom.js";
import { rigNav } from "../components/subnav.js";
import { el, setAttr, setText, show } from "../dom.js";
import { toldAll } from "../messages.js";
import { naturalName, t, tOr } from "../texts.js";
import { DASH, number, shown, unitOf, withUnit } from "../units.js";

const BANDS_S = [120, 300, 900, 1800]; // below the first: nearly nothing; beyond the last: long
const REFRESH_MS = 15_000;

/** The 95 % interval of a temperature in kelvin, as "± 4"; nothing when it is not known. */
function spreadText(sigma) {
  return Number.isFinite(sigma) ? ` ± ${number(2 * sigma * (unitOf("temperature") === "°F" ? 1.8 : 1))}` : "";
}

class RotorCard {
  constructor(name) {
    this.title = el("h3", { text: naturalName(name) });
    this.temp = el("span", { className: "figure rotor-big" });
    this.level = el("span", { className: "soft" });
    this.bar = el("i", {});
    this.warn = el("i", { className: "warn" });
    this.track = el("span", { className: "rotor-track", "aria-hidden": "true" }, this.bar, this.warn);
    this.coilText = el("span", { className: "figure" });
    this.coilHow = el("span", { className: "soft" });
    this.coilBar = el("i", {});
    this.coilWarn = el("i", { className: "warn" });
    this.coil = el(
      "div",
      { className: "coil" },
      el("p", {}, el("b", { text: t("heat.coil") }), this.coilText, this.coilHow),
      el("span", { className: "rotor-track", "aria-hidden": "true" }, this.coilBar, this.coilWarn),
    );
    this.rows = el("table", { className: "pairs" });
    this.cells = {};
    const body = el("tbody", {});
    for (const key of [
      "headroom",
      "power",
      "cap",
      "torque",
      "current",
      "fan",
      "sensor",
      "hours",
      "energy",
      "warm",
      "trend",
    ]) {
      const cell = el("td", { className: "figure" });
      const row = el("tr", {}, el("th", { scope: "row", text: t(`heat.r.${key}`) }), cell);
      this.cells[key] = [row, cell];
      body.append(row);
    }
    this.rows.append(body);
    this.due = el("div", {});
    this.node = el(
      "section",
      { className: "card rotor-card" },
      this.title,
      el("p", {}, this.temp, " ", this.level),
      this.track,
      this.coil,
      this.due,
      this.rows,
    );
  }

  put(key, text) {
    const [row, cell] = this.cells[key];
    show(row, text !== "");
    setText(cell, text);
  }

  write(view, reading, heat) {
    const known = view.rotor_k !== null;
    const sigma = view.rotor_sigma_k;
    setText(this.temp, known ? withUnit("temperature", view.rotor_k) : DASH);
    setText(
      this.level,
      `${spreadText(sigma)} ${view.heat_level ? tOr(`heat.l.${view.heat_level}`, view.heat_level) : ""}`.trim(),
    );
    setAttr(this.node, "data-level", view.heat_level ?? "");
    if (heat) {
      const at = (kelvin) => `${Math.max(0, Math.min(1, (kelvin - 293) / (heat.limit_k - 293))) * 100}%`;
      this.bar.style.width = known ? at(view.rotor_k) : "0";
      this.warn.style.left = at(heat.warn_k);
    }
    this.writeCoil(view, heat?.coil);
    const kind = headroomKind(view);
    this.put(
      "headroom",
      kind === "known"
        ? `${intervalMinutes(view)} ${t("heat.min")}${view.limited_by === "coil" ? ` · ${t("heat.coil")}` : ""}`
        : kind === "never"
          ? t("heat.free.short")
          : DASH,
    );
    this.put("power", Number.isFinite(view.power_w) ? withUnit("power", view.power_w) : "");
    this.put("cap", Number.isFinite(view.cap_w) ? withUnit("power", view.cap_w, 0) : "");
    const capacity = Number.isFinite(view.capacity_nm) && view.capacity_cold_nm > 0;
    this.put(
      "torque",
      capacity
        ? `${withUnit("torque", view.capacity_nm)} · ${number((view.capacity_nm / view.capacity_cold_nm) * 100)} %`
        : "",
    );
    this.put("current", reading?.current?.value === null || !reading ? "" : withUnit("current", reading.current.value));
    this.put("fan", t(view.fan ? "rig.on" : "rig.off"));
    this.put("sensor", view.rotor_sensor ? tOr(`heat.s.${view.rotor_sensor}`, view.rotor_sensor) : "");
  }

  /** The winding beside the rotor, where the rig file describes it. */
  writeCoil(view, heat) {
    const known = Number.isFinite(view.coil_k);
    show(this.coil, known);
    if (!known) return;
    setText(this.coilText, `${withUnit("temperature", view.coil_k)}${spreadText(view.coil_sigma_k)}`);
    setText(this.coilHow, t(view.coil_measured ? "heat.coil.measured" : "heat.coil.estimated"));
    if (!heat) return;
    const at = (kelvin) => `${Math.max(0, Math.min(1, (kelvin - 293) / (heat.limit_k - 293))) * 100}%`;
    this.coilBar.style.width = at(view.coil_k);
    this.coilWarn.style.left = at(heat.warn_k);
    setAttr(
      this.coil,
      "data-level",
      view.coil_k >= heat.limit_k ? "limit" : view.coil_k >= heat.warn_k ? "warm" : null,
    );
  }

  writeLife(kept) {
    const { life, trend } = kept;
    this.put("hours", `${number(life.turning_s / 3600, 1)} h · ${number(life.loaded_s / 3600, 1)} h`);
    this.put("energy", `${number(life.energy_j / 1e9, 2)} GJ`);
    this.put("warm", life.above_warn_s > 0 ? `${number(life.above_warn_s / 60, 1)} min` : t("heat.never"));
    this.put(
      "trend",
      trend ? `${number(trend.per_year * 100, 1, true)} ± ${number(2 * trend.per_year_sigma * 100, 1)} %` : "",
    );
    this.due.replaceChildren(...toldAll(kept, "due").map((text) => el("p", { className: "problem", text })));
  }
}

export default class HeatView {
  constructor({ store }) {
    this.store = store;
    const figure = (key) => {
      const value = el("b", { className: "figure" });
      return [el("p", {}, el("span", { className: "soft", text: t(key) }), value), value];
    };
    const [now, nowValue] = figure("heat.now");
    const [plan, planValue] = figure("heat.plan");
    const [rest, restValue] = figure("heat.rest");
    this.values = [nowValue, planValue, restValue];
    this.restWord = rest.firstChild;
    this.advice = el("p", { className: "problem" });
    this.cooling = el("p", { className: "soft" });
    this.cards = new Map();
    this.rotors = el("div", { className: "rotor-cards" });
    this.cold = el("input", { type: "checkbox", id: "map-cold", onchange: () => this.readMap() });
    this.map = el("div", { className: "endurance", tabindex: "0", role: "group", "aria-label": t("heat.map") });
    this.mapNote = el("p", { className: "soft" });
    this.node = el(
      "div",
      { className: "heat-page" },
      rigNav("heat"),
      el("h1", { className: "unseen", text: t("sub.heat") }),
      el(
        "section",
        { className: "card" },
        el("h2", { text: t("heat.title") }),
        el("div", { className: "heat-lead" }, now, plan, rest),
        this.cooling,
        this.advice,
      ),
      el(
        "section",
        { className: "card" },
        el(
          "div",
          { className: "rehearsal-head" },
          el("h2", { className: "grow", text: t("heat.map") }),
          el(
            "label",
            { className: "caution plan-tick", for: "map-cold" },
            this.cold,
            el("span", { text: t("heat.cold") }),
          ),
        ),
        this.mapNote,
        this.map,
      ),
      this.rotors,
    );
    this.readMap();
    this.readLife();
    this.timer = setInterval(() => {
      this.readMap();
      this.readLife();
    }, REFRESH_MS);
  }

  card(name) {
    let card = this.cards.get(name);
    if (!card) {
      card = new RotorCard(name);
      this.cards.set(name, card);
      this.rotors.append(card.node);
    }
    return card;
  }

  write(now) {
    const { telemetry, rig } = this.store;
    const silent = !telemetry || this.store.silent(now);
    const views = silent ? [] : telemetry.absorbers;
    const first = tightest(views);
    const unknown = silent || views.some((view) => headroomKind(view) === "unknown");
    const min = (view) => `${intervalMinutes(view)} ${t("heat.min")}`;
    setText(this.values[0], first ? min(first) : unknown ? DASH : t("heat.free.short"));
    const none = unknown ? DASH : t("heat.free.short");
    const planned = tightest(views, "plan_headroom");
    setText(this.values[1], planned ? min(planned) : telemetry?.test && !silent ? none : DASH);
    const rested = tightest(views, "after_pause");
    const pause = views.find((view) => Number.isFinite(view.pause_s))?.pause_s;
    setText(this.restWord, t("heat.rest.after", { n: pause ? number(pause / 60) : DASH }));
    setText(this.values[2], rested ? min(rested) : none);
    const heat = silent ? null : telemetry.heat;
    setText(this.advice, heat ? [heat.advice, ...(heat.service ?? [])].filter(Boolean).join(" ") : "");
    setText(this.cooling, heat?.cooling_s > 0 ? t("heat.cooling", { n: minutes(heat.cooling_s) }) : "");
    for (const view of views) {
      this.card(view.name).write(
        view,
        telemetry.measured?.absorbers.find((one) => one.name === view.name),
        rig?.absorbers.find((one) => one.name === view.name)?.heat,
      );
    }
  }

  async readLife() {
    const answer = await get("/api/heat");
    if (this.gone || !answer.ok) return;
    for (const kept of answer.data.absorbers) this.card(kept.name).writeLife(kept);
  }

  async readMap() {
    const cold = this.cold.checked;
    const answer = await get(`/api/heat/endurance?speeds=9&powers=8&cold=${cold}`, 20_000);
    if (this.gone || cold !== this.cold.checked) return;
    if (!answer.ok) {
      this.map.replaceChildren();
      setText(this.mapNote, answer.problem?.detail ?? t("answer.silent"));
      return;
    }
    const { speeds_mps: speeds, powers_w: powers, permitted_s: permitted, horizon_s: horizon, limiting } = answer.data;
    setText(this.mapNote, t("heat.map.note", { horizon: number(horizon / 60) }));
    const cell = (seconds, name) => {
      if (seconds === 0) return el("td", { "data-band": "none", text: "–", title: t("heat.torque") });
      const band = BANDS_S.findIndex((edge) => seconds < edge);
      const text = seconds >= horizon ? `${number(horizon / 60)}+` : minutes(seconds);
      return el("td", { "data-band": String(band < 0 ? 4 : band), text, title: name ? naturalName(name) : "" });
    };
    const rows = powers
      .map((watts, row) =>
        el(
          "tr",
          {},
          el("th", { scope: "row", text: shown("power", watts, 0) }),
          permitted[row].map((seconds, column) => cell(seconds, limiting[row][column])),
        ),
      )
      .reverse();
    this.map.replaceChildren(
      el(
        "table",
        {},
        el("tbody", {}, rows),
        el(
          "tfoot",
          {},
          el(
            "tr",
            {},
            el("th", { scope: "row", className: "soft", text: `${unitOf("power")} / ${unitOf("speed")}` }),
            speeds.map((speed) => el("th", { scope: "col", text: shown("speed", speed, 0) })),
          ),
        ),
      ),
    );
  }

  leave() {
    this.gone = true;
    clearInterval(this.timer);
  }
}
