// Choose a steady hold: what is held, at what, how long; then start it by holding. The plan is made
// in SI; the rig checks it again and may refuse with a reason.

import { post } from "../api.js";
import { el, setAttr, setText, show } from "../dom.js";
import { settings } from "../settings.js";
import { t } from "../texts.js";
import { number, toSi, unitOf } from "../units.js";
import { holdButton } from "./hold.js";
import { noteAnswer } from "./notes.js";
import { closeSheet, openSheet } from "./sheet.js";

const remembered = { what: "rpm", rpm: "1900", speed: { metric: "80", us: "50" }, minutes: "3", settle: "10", vehicle: "" };

function field(label, input, unit, hint) {
  return el("label", { className: "field" }, label, el("span", { className: "with-unit" }, input, unit ? el("span", { className: "unit", text: unit }) : null), hint ? el("small", { text: hint }) : null);
}

function numberInput(value, attributes) {
  return el("input", { type: "text", inputmode: "decimal", autocomplete: "off", value, ...attributes });
}

const read = (input) => Number(input.value.trim().replace(",", "."));

/** Plan and problem from what is written; exactly one of both is null. */
export function makePlan({ what, value, minutes, settle }) {
  const wrong = (name, low, high, unit) => ({ plan: null, problem: t("plan.range", { what: name, low: number(low), high: number(high), unit }) });
  if (!(minutes > 0 && minutes <= 120)) return wrong(t("plan.minutes"), 0, 120, t("plan.minutes.unit"));
  if (!(settle >= 0 && settle <= 600 && settle < minutes * 60)) return wrong(t("plan.settle"), 0, Math.min(600, minutes * 60), "s");
  const plan = { kind: "steady-hold", seconds: Math.round(minutes * 60), settle_s: settle };
  if (what === "rpm") {
    if (!(value > 0 && value <= 10000)) return wrong(t("plan.rpm.label"), 0, 10000, "rpm");
    plan.rpm = value;
  } else {
    const si = toSi("speed", value);
    if (!(si > 0 && si <= 80)) return wrong(t("plan.speed.label"), 0, 80 / toSi("speed", 1), unitOf("speed"));
    plan.speed_mps = si;
  }
  return { plan, problem: null };
}

export function openPlan() {
  const units = settings.get("units");
  const radio = (value) => {
    const input = el("input", { type: "radio", name: "what", value });
    input.checked = remembered.what === value;
    return el("label", {}, input, t(`plan.${value}`));
  };
  const choice = el("fieldset", { className: "choice" }, el("legend", { text: t("plan.what") }), radio("rpm"), radio("speed"));
  const rpm = numberInput(remembered.rpm, { id: "plan-rpm" });
  const speed = numberInput(remembered.speed[units], { id: "plan-speed" });
  const minutes = numberInput(remembered.minutes, { id: "plan-minutes" });
  const settle = numberInput(remembered.settle, { id: "plan-settle" });
  const vehicle = el("input", { type: "text", autocomplete: "off", maxlength: "80", value: remembered.vehicle });
  const remark = el("input", { type: "text", autocomplete: "off", maxlength: "200" });
  const rpmField = field(t("plan.rpm.label"), rpm, "rpm");
  const speedField = field(t("plan.speed.label"), speed, unitOf("speed"));
  const problemLine = el("p", { className: "problem", role: "alert" });
  const start = holdButton({
    label: () => t("plan.start"),
    className: "lead",
    action: async () => {
      const { plan } = current();
      if (!plan) return;
      if (noteAnswer(await post("/api/test/start", { plan, vehicle: vehicle.value.trim(), note: remark.value.trim() }))) closeSheet();
    },
  });
  function current() {
    const what = choice.querySelector("input:checked").value;
    return makePlan({ what, value: read(what === "rpm" ? rpm : speed), minutes: read(minutes), settle: read(settle) });
  }
  function update() {
    const what = choice.querySelector("input:checked").value;
    show(rpmField, what === "rpm");
    show(speedField, what === "speed");
    Object.assign(remembered, { what, rpm: rpm.value, minutes: minutes.value, settle: settle.value, vehicle: vehicle.value });
    remembered.speed[units] = speed.value;
    const { problem } = current();
    setText(problemLine, problem ?? "");
    setAttr(start, "aria-disabled", problem ? "true" : null);
  }
  const form = el(
    "form",
    { className: "plan", oninput: update, onsubmit: (event) => event.preventDefault() },
    choice,
    el("div", { className: "plan-numbers" }, rpmField, speedField, field(t("plan.minutes"), minutes, t("plan.minutes.unit")), field(t("plan.settle"), settle, "s")),
    el("div", { className: "plan-words" }, field(t("plan.vehicle"), vehicle, "", t("plan.optional")), field(t("plan.note"), remark, "", t("plan.optional"))),
    el("div", { className: "sheet-foot" }, problemLine, start),
  );
  openSheet({ title: t("plan.title"), body: [el("p", { className: "soft", text: t("plan.lead") }), form] });
  update();
}
