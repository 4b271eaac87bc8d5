// How often a run was evaluated and what came out, and a form to evaluate it again with other
// settings. The recording is never touched; earlier evaluations stay.

import { get, post } from "../api.js";
import { el, setText, show } from "../dom.js";
import { told } from "../messages.js";
import { t, tOr } from "../texts.js";
import { dateTime, number } from "../units.js";
import { noteAnswer } from "./notes.js";

// names of published rules, the same in every language
const RULES = {
  none: null,
  "iso-1585-spark": "ISO 1585 / UN R85",
  "j1349-1990-spark": "SAE J1349 (1990)",
  "j1349-2004-spark": "SAE J1349 (2004)",
  "j607-spark": "SAE J607",
  "din-70020": "DIN 70020",
  "un-r85-diesel": "UN R85, diesel",
  "iso-1585-diesel": "ISO 1585, diesel",
};
const LEVELS = [0.9, 0.95, 0.99];
const FUEL = [
  ["fuel_g_per_s", "g/s"],
  ["displacement_l", "l"],
  ["speed_rpm", "rpm"],
  ["boost_ratio", ""],
];

/** A card with all evaluations of a run; `onShow` shows the one with that number. */
export function evaluationsCard(path, made, mayChange, onShow) {
  const list = el("ul", { className: "tokens" });
  const node = el("section", { className: "card" }, el("h2", { text: t("evaluate.title") }), list);
  const read = async () => {
    const answer = await get(`${path}/evaluations`);
    if (!answer.ok) return;
    list.replaceChildren(
      ...[...answer.data.evaluations].reverse().map((one) =>
        el(
          "li",
          {},
          el(
            "span",
            { className: "grow" },
            el("b", { className: "figure", text: `${one.number}. ` }),
            told(one, "answer"),
            el("br", {}),
            el("span", {
              className: "soft",
              text: `${dateTime(one.at)} · ${one.who || "–"} · ${ruleName(one.settings?.rule ?? "none")}`,
            }),
          ),
          el("button", {
            type: "button",
            text: t("evaluate.show"),
            "aria-label": `${t("evaluate.show")}: ${one.number}`,
            onclick: () => onShow(one.number),
          }),
        ),
      ),
    );
  };
  read();
  if (mayChange) node.append(form(path, made?.settings ?? {}, onShow));
  return node;
}

export function ruleName(rule) {
  return RULES[rule] ?? (rule === "none" ? t("evaluate.none") : rule);
}

function form(path, settings, onShow) {
  const figure = (name, value) =>
    el("input", {
      type: "text",
      inputmode: "decimal",
      autocomplete: "off",
      id: `evaluate-${name}`,
      value: value === null || value === undefined ? "" : String(value),
    });
  const field = (name, input, unit = "") =>
    el(
      "label",
      { className: "field" },
      tOr(`evaluate.f.${name}`, name),
      unit ? el("span", { className: "with-unit" }, input, el("span", { className: "unit", text: unit })) : input,
    );
  const rule = el(
    "select",
    { id: "evaluate-rule" },
    Object.keys(RULES).map((one) => el("option", { value: one, text: ruleName(one) })),
  );
  rule.value = settings.rule ?? "none";
  const level = el(
    "select",
    { id: "evaluate-level" },
    LEVELS.map((one) => el("option", { value: one, text: `${number(one * 100)} %` })),
  );
  level.value = LEVELS.includes(settings.level) ? settings.level : 0.95;
  const inputs = {
    smooth_rpm: figure("smooth_rpm", settings.smooth_rpm ?? 60),
    step_rpm: figure("step_rpm", settings.step_rpm ?? 50),
    settle_s: figure("settle_s", settings.settle_s),
  };
  const fuel = FUEL.map(([name]) => figure(name, settings.fuel?.[name] ?? (name === "boost_ratio" ? 1 : "")));
  const fuelFields = el(
    "div",
    { className: "plan-fields hidden" },
    FUEL.map(([name, unit], index) => field(name, fuel[index], unit)),
  );
  const wrong = el("p", { className: "problem", role: "alert" });
  const diesel = () => rule.value.endsWith("-diesel");
  const changed = () => show(fuelFields, diesel());
  rule.addEventListener("change", changed);
  changed();
  inputs.settle_s.placeholder = t("evaluate.asplanned");
  const value = (input) => Number(input.value.trim().replace(",", "."));
  const go = el("button", {
    type: "button",
    text: t("evaluate.again"),
    onclick: async () => {
      // what the form does not show stays as it was
      const wanted = { ...settings, rule: rule.value, level: Number(level.value), fuel: null };
      wanted.settle_s = inputs.settle_s.value.trim() === "" ? null : value(inputs.settle_s);
      for (const name of ["smooth_rpm", "step_rpm"]) wanted[name] = value(inputs[name]);
      if (diesel()) wanted.fuel = Object.fromEntries(FUEL.map(([name], index) => [name, value(fuel[index])]));
      const numbers = [wanted.smooth_rpm, wanted.step_rpm, ...Object.values(wanted.fuel ?? {})];
      const fits = numbers.every((one) => one > 0) && (wanted.settle_s === null || wanted.settle_s >= 0);
      setText(wrong, fits ? "" : t("evaluate.wrong"));
      if (!fits) return;
      go.disabled = true;
      setText(go, t("evaluate.runs"));
      const answer = await post(`${path}/evaluations`, { settings: wanted }, 120_000);
      go.disabled = false;
      setText(go, t("evaluate.again"));
      if (noteAnswer(answer)) onShow(answer.data.number);
    },
  });
  return el(
    "details",
    { className: "plan-more" },
    el("summary", { text: t("evaluate.other") }),
    el(
      "form",
      { className: "plan", onsubmit: (event) => event.preventDefault() },
      el("div", { className: "plan-words" }, field("rule", rule), field("level", level)),
      el(
        "div",
        { className: "plan-fields" },
        field("smooth_rpm", inputs.smooth_rpm, "rpm"),
        field("step_rpm", inputs.step_rpm, "rpm"),
        field("settle_s", inputs.settle_s, "s"),
      ),
      fuelFields,
      wrong,
      el("div", { className: "row" }, go),
    ),
  );
}
