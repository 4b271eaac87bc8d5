// The rehearsal's answer before a start: the plan run forward through the learned heat of these
// rotors as they are now. What will happen, how hot, how long, and what would make it possible.

import { post } from "../api.js";
import { el, mark, setAttr, setText, show } from "../dom.js";
import { told as tell } from "../messages.js";
import { settings } from "../settings.js";
import { naturalName, t, tOr } from "../texts.js";
import { clockTime, number, toSi, unitOf, withUnit } from "../units.js";

// what the truck gives and how fast it turns the rolls, as typed last, in the reader's units
const typed = { power: "", speed: "" };
const OUTLOOK_AFTER_MS = 800;
const NEED_SPEED = new Set(["speed-needed", "ratio-needed"]);

function expectation(name, quantity) {
  const input = el("input", {
    type: "text",
    inputmode: "decimal",
    autocomplete: "off",
    id: `plan-expected-${name}`,
    value: typed[name],
  });
  const field = el(
    "label",
    { className: "field rehearsal-power" },
    t(`rehearse.${name}`),
    el("span", { className: "with-unit" }, input, el("span", { className: "unit", text: unitOf(quantity) })),
  );
  return { input, field, si: () => toSi(quantity, Number(input.value.trim().replace(",", ".")) || NaN) };
}

/** What heat says of a start, in the reader's words and units; "" where it has no part in it. */
export function outlookText(heat) {
  if (!heat?.text) return "";
  if (heat.possible === true)
    return heat.assumed ? t("outlook.any", { power: withUnit("power", heat.power_w, 0) }) : t("outlook.may");
  if (!heat.limiting || heat.limited_after_s === null) return tell(heat, "text");
  const told = t(heat.assumed ? "outlook.assumed" : "outlook.limited", {
    power: withUnit("power", heat.power_w, 0),
    name: naturalName(heat.limiting),
    time: clockTime(heat.limited_after_s),
  });
  const most = heat.most_power_w === null ? "" : t("outlook.most", { power: withUnit("power", heat.most_power_w, 0) });
  return `${told} ${most}`.trim();
}

/** Whether a plan leaves open what the truck will give at full pedal. */
function asksPower(plan) {
  const { kind } = plan ?? {};
  if (kind === "steady-hold") return plan.rpm !== undefined || plan.speed_mps !== undefined;
  return kind === "stepped-map" || kind === "power-sweep" || kind === "spool-up";
}

export class Rehearsal {
  constructor(planOf) {
    this.planOf = planOf;
    this.power = expectation("power", "power");
    this.speed = expectation("speed", "speed");
    this.ask = el("button", { type: "button", text: t("rehearse.go"), onclick: () => this.run() });
    this.out = el("div", { className: "rehearsal-out", role: "status" });
    this.outlook = el("p", { className: "soft", role: "status" });
    this.node = el(
      "section",
      { className: "rehearsal", "aria-label": t("rehearse.title") },
      el(
        "div",
        { className: "rehearsal-head" },
        el("h3", { text: t("rehearse.title") }),
        this.power.field,
        this.speed.field,
        this.ask,
      ),
      this.outlook,
      this.out,
    );
    for (const [name, { input }] of Object.entries({ power: this.power, speed: this.speed })) {
      input.addEventListener("input", () => {
        typed[name] = input.value;
        this.out.replaceChildren();
        this.lookSoon(this.planOf());
      });
    }
  }

  /** The plan was changed: an answer to another plan is no answer. */
  changed(plan) {
    const key = JSON.stringify(plan);
    if (key !== this.key) {
      this.key = key;
      this.out.replaceChildren();
      setAttr(this.node, "data-possible", null);
      this.asksSpeed = plan?.kind === "steady-hold" && !asksPower(plan);
      this.lookSoon(plan);
    }
    show(this.power.field, asksPower(plan));
    show(this.speed.field, this.asksSpeed);
    show(this.node, plan?.kind !== "snap-smoke" && plan?.kind !== "identification"); // no heat to speak of
    this.ask.disabled = !plan;
  }

  lookSoon(plan) {
    clearTimeout(this.looking);
    setText(this.outlook, "");
    if (plan) this.looking = setTimeout(() => this.look(plan), OUTLOOK_AFTER_MS);
  }

  /** The sentence beside the start: what heat says of this plan now, asked once typing has paused. */
  async look(plan) {
    const key = this.key;
    const answer = await post("/api/test/outlook", { plan, ...this.expected(), units: settings.get("units") }, 10_000);
    if (!this.gone && key === this.key && answer.ok) setText(this.outlook, outlookText(answer.data));
  }

  /** The power that was typed, for the start; nothing when none was. */
  expected() {
    return asksPower(this.planOf()) && this.power.si() > 0 ? { power_w: this.power.si() } : {};
  }

  async run() {
    const plan = this.planOf();
    if (!plan) return;
    const body = { plan, units: settings.get("units") };
    for (const { asked, key, one } of [
      { asked: asksPower(plan), key: "power_w", one: this.power },
      { asked: this.asksSpeed, key: "speed_mps", one: this.speed },
    ]) {
      if (!asked) continue;
      if (!(one.si() > 0)) {
        this.out.replaceChildren(el("p", { className: "rehearsal-bad", text: t("rehearse.needs") }));
        one.input.focus();
        return;
      }
      body[key] = one.si();
    }
    const key = this.key;
    setText(this.ask, t("rehearse.runs"));
    this.ask.disabled = true;
    const answer = await post("/api/rehearse", body, 20_000);
    setText(this.ask, t("rehearse.go"));
    this.ask.disabled = false;
    if (this.gone || key !== this.key) return;
    if (!answer.ok) {
      if (NEED_SPEED.has(answer.problem?.code)) {
        this.asksSpeed = true;
        show(this.speed.field, true);
        this.out.replaceChildren(el("p", { className: "rehearsal-bad", text: t("rehearse.speed.why") }));
        this.speed.input.focus();
        return;
      }
      this.out.replaceChildren(
        el("p", { className: "rehearsal-bad", text: answer.problem?.detail ?? t("answer.silent") }),
        el("p", { text: answer.problem?.remedy ?? "" }),
      );
      return;
    }
    this.write(answer.data);
  }

  write(found) {
    const hottest = found.rotors.reduce((a, b) => (b.peak_k > a.peak_k ? b : a));
    setAttr(this.node, "data-possible", found.possible ? "yes" : "no");
    const says = found.possible
      ? t("rehearse.possible")
      : found.short_of_torque_after_s !== null
        ? t("rehearse.short", { time: clockTime(found.short_of_torque_after_s) })
        : t("rehearse.limited", { name: naturalName(found.limiting), time: clockTime(found.limited_after_s) });
    const figure = (label, value, more = "") =>
      el(
        "p",
        {},
        el("span", { className: "soft", text: label }),
        el("b", { className: "figure", text: value }),
        more ? el("span", { className: "soft", text: more }) : null,
      );
    const suggest = (one) => {
      const value = {
        shorter: clockTime(one.value),
        "less-power": withUnit("power", one.value, 0),
        "faster-rolls": withUnit("speed", one.value, 0),
        slower: withUnit("speed", one.value, 0),
        "cool-first": t("rehearse.min", { n: number(one.value / 60) }),
      }[one.kind];
      const known = value ? tOr(`rehearse.s.${one.kind}`, null) : null;
      return el("li", { text: known ? known.replace("{value}", value) : tell(one, "text") });
    };
    const bars = found.rotors.map((rotor) => {
      const bar = el("i", {});
      const span = rotor.limit_k - 293;
      bar.style.width = `${Math.max(0, Math.min(1, (rotor.peak_k - 293) / span)) * 100}%`;
      return el(
        "li",
        { "data-level": rotor.warm_after_s !== null ? "soon" : "calm" },
        el("span", { className: "rotor-name", text: naturalName(rotor.name) }),
        el("span", { className: "rotor-track", "aria-hidden": "true" }, bar),
        el("span", { className: "figure rotor-temp", text: withUnit("temperature", rotor.peak_k) }),
      );
    });
    this.out.replaceChildren(
      el("p", { className: "rehearsal-says" }, mark(found.possible ? "done" : "caution"), el("span", { text: says })),
      el(
        "div",
        { className: "rehearsal-figures" },
        figure(t("rehearse.long"), clockTime(found.seconds)),
        figure(
          t("rehearse.hot"),
          withUnit("temperature", hottest.peak_k),
          t("rehearse.of", { name: naturalName(hottest.name, false), limit: withUnit("temperature", hottest.limit_k) }),
        ),
        figure(t("rehearse.most"), withUnit("power", found.highest_power_w, 0)),
      ),
      ...(found.split === "assumed-even"
        ? [
            el("p", {
              className: "soft",
              text:
                found.uneven_short_of_torque_after_s !== null
                  ? t("rehearse.uneven.short", { time: clockTime(found.uneven_short_of_torque_after_s) })
                  : found.uneven_limited_after_s === null
                    ? t("rehearse.even")
                    : t("rehearse.uneven", { time: clockTime(found.uneven_limited_after_s) }),
            }),
          ]
        : []),
      el("ul", { className: "rotors rehearsal-rotors" }, bars),
      ...(found.suggestions.length
        ? [
            el("h4", { text: t("rehearse.would") }),
            el("ul", { className: "suggestions" }, found.suggestions.map(suggest)),
          ]
        : []),
    );
  }

  leave() {
    clearTimeout(this.looking);
    this.gone = true;
  }
}
