// A known resistor across a cell's bridge: the cell is read open, closed and open again, each as the
// mean of some seconds of the live line, and the three go to the rig's computer.

import { el, setText } from "../dom.js";
import { naturalName, t } from "../texts.js";
import { withUnit } from "../units.js";

const READ_S = 5;
const EVERY_MS = 50;
const FEWEST = 20; // new readings that make a mean
const STEPS = ["open", "closed", "again"];

/** The mean of a cell's good readings over some seconds, N; null when there were too few. */
export async function meanForce(store, absorber, seconds = READ_S) {
  const values = new Map();
  const until = performance.now() + seconds * 1000;
  while (performance.now() < until) {
    const frame = store.telemetry?.measured;
    const reading = frame?.absorbers.find((one) => one.name === absorber)?.cell_force;
    if (reading?.quality === "good" && Number.isFinite(reading.value)) values.set(reading.time_s, reading.value);
    await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
  }
  if (values.size < FEWEST) return null;
  return [...values.values()].reduce((sum, value) => sum + value, 0) / values.size;
}

/** The form; `prove` gets the body for the rig's computer. */
export function shuntForm(store, prove) {
  const numberField = (id, value) => el("input", { type: "text", inputmode: "decimal", id, value });
  const which = el(
    "select",
    { id: "shunt-absorber", onchange: () => begin() },
    (store.rig?.absorbers ?? []).map((one) => el("option", { value: one.name, text: naturalName(one.name) })),
  );
  const shunt = numberField("shunt-ohm", "");
  const bridge = numberField("bridge-ohm", "350");
  const problem = el("p", { className: "problem", role: "alert" });
  const readings = STEPS.map((step) => ({
    force: NaN,
    shown: el("b", { className: "figure" }),
    button: el("button", { type: "button", text: t(`prove.shunt.${step}`), onclick: () => take(STEPS.indexOf(step)) }),
  }));

  /** Nothing is read yet, as for another cell. */
  function begin() {
    for (const one of readings) {
      one.force = NaN;
      setText(one.shown, "");
    }
    offer();
  }

  function offer() {
    readings.forEach((one, place) => {
      one.button.disabled = place > 0 && !Number.isFinite(readings[place - 1].force);
    });
  }

  async function take(place) {
    const one = readings[place];
    one.button.disabled = true;
    setText(one.shown, t("prove.shunt.reading", { n: READ_S }));
    const absorber = which.value;
    const mean = await meanForce(store, absorber);
    if (which.value !== absorber) return; // another cell was chosen meanwhile
    one.force = mean ?? NaN;
    for (const later of readings.slice(place + 1)) {
      later.force = NaN;
      setText(later.shown, "");
    }
    setText(one.shown, mean === null ? "" : withUnit("force", mean));
    setText(problem, mean === null ? t("prove.shunt.silent") : "");
    offer();
  }

  function go() {
    const ohm = (field) => Number(field.value.replace(",", "."));
    const [open, closed, again] = readings.map((one) => one.force);
    const fine = ohm(shunt) > 0 && ohm(bridge) > 0 && [open, closed, again].every(Number.isFinite);
    setText(problem, fine ? "" : t("prove.shunt.wrong"));
    if (!fine) return;
    prove({
      absorber: which.value,
      shunt_ohm: ohm(shunt),
      bridge_ohm: ohm(bridge),
      open_n: open,
      closed_n: closed,
      open_again_n: again,
    });
  }

  begin();
  return el(
    "div",
    { className: "prove-form" },
    el("label", { className: "field" }, t("prove.absorber"), which),
    el(
      "div",
      { className: "plan-words" },
      el("label", { className: "field" }, t("prove.shunt.ohm"), shunt),
      el("label", { className: "field" }, t("prove.shunt.bridge"), bridge),
    ),
    readings.map((one) => el("div", { className: "row" }, one.button, one.shown)),
    problem,
    el("button", { type: "button", className: "lead", text: t("prove.go"), onclick: go }),
  );
}
