// Begin a campaign: which plan (as it stands under Tests), in which order of set-ups, how often, and
// how alike the conditions of each start must be. Beginning starts no run.

import { post } from "../api.js";
import { el, setText } from "../dom.js";
import { KINDS, lastKind, makePlan, needsTruck, takesPart, unitFor, words, written } from "../kinds/index.js";
import { t } from "../texts.js";
import { number, unitOf } from "../units.js";
import { noteAnswer } from "./notes.js";

const ORDERS = ["A", "A, B, A", "A, B, B, A", "A, B"];
const KELVIN = () => (unitOf("temperature") === "°F" ? 1.8 : 1); // a difference of one kelvin as shown

/** What a plan asks for, in the reader's words. */
function summary(kind) {
  const typed = written(kind);
  return KINDS[kind].fields
    .filter((one) => takesPart(one, typed) && !one.more && !one.group && !one.lines)
    .map((one) =>
      one.choice
        ? one.name === "by"
          ? ""
          : t(`plan.c.${typed[one.name]}`)
        : one.tick
          ? typed[one.name]
            ? t(`plan.f.${one.name}`)
            : ""
          : `${t(`plan.f.${one.name}`)} ${typed[one.name]} ${unitFor(one.quantity)}`,
    )
    .filter(Boolean)
    .join(" · ");
}

export class CampaignForm {
  constructor(store, done) {
    this.done = done;
    const text = (id, value, more = {}) =>
      el("input", { type: "text", autocomplete: "off", id: `campaign-${id}`, value, ...more });
    const figure = (id, value) => text(id, value, { inputmode: "decimal" });
    const field = (key, input, unit = "") =>
      el(
        "label",
        { className: "field" },
        t(`campaign.f.${key}`),
        unit ? el("span", { className: "with-unit" }, input, el("span", { className: "unit", text: unit })) : input,
      );
    const kinds = Object.keys(KINDS).filter((kind) => kind !== "identification");
    this.kind = el(
      "select",
      { id: "campaign-kind" },
      kinds.map((kind) => el("option", { value: kind, text: t(`test.${kind}`) })),
    );
    this.kind.value = kinds.includes(lastKind()) ? lastKind() : kinds[0];
    this.asked = el("p", { className: "soft" });
    this.change = el("a", { className: "button", text: t("campaign.plan") });
    this.name = text("name", "", { maxlength: "36", placeholder: t("plan.optional") });
    this.vehicle = text("vehicle", store.telemetry?.vehicle || words.vehicle, { maxlength: "80" });
    this.order = text("order", ORDERS[1], { maxlength: "160" });
    this.repeats = figure("repeats", "2");
    this.pause = figure("pause", "30");
    this.wait = figure("wait", "60");
    const kelvin = KELVIN();
    this.bands = {
      rotor_k: figure("rotor", number(20 * kelvin)),
      oil_k: figure("oil", number(5 * kelvin)),
      intake_k: figure("intake", number(4 * kelvin)),
    };
    const degrees = unitOf("temperature") === "°F" ? "°F" : "K";
    this.runs = el("p", { className: "plan-length" });
    this.problem = el("p", { className: "problem", role: "alert" });
    this.go = el("button", {
      type: "button",
      className: "lead",
      text: t("campaign.begin"),
      onclick: () => this.begin(),
    });
    if (store.role === "watch") this.go.disabled = true;
    const orders = el(
      "div",
      { className: "row" },
      ORDERS.map((order) =>
        el("button", {
          type: "button",
          text: order.replaceAll(", ", "-"),
          onclick: () => {
            this.order.value = order;
            this.update();
          },
        }),
      ),
    );
    this.node = el(
      "section",
      { className: "card plan-card campaign-form" },
      el(
        "div",
        { className: "plan-head" },
        el(
          "div",
          {},
          el("h2", { text: t("campaign.title") }),
          el("p", { className: "soft", text: t("campaign.lead") }),
        ),
        this.runs,
      ),
      el(
        "form",
        { className: "plan", oninput: () => this.update(), onsubmit: (event) => event.preventDefault() },
        el(
          "div",
          { className: "plan-words" },
          field("kind", this.kind),
          el("div", { className: "campaign-asked" }, this.asked, this.change),
        ),
        el("div", { className: "plan-words" }, field("name", this.name), field("vehicle", this.vehicle)),
        el(
          "div",
          { className: "plan-words" },
          field("order", this.order),
          el("div", { className: "field" }, el("b", { text: t("campaign.often") }), orders),
        ),
        el(
          "div",
          { className: "plan-fields" },
          field("repeats", this.repeats),
          field("pause", this.pause, "s"),
          field("wait", this.wait, "min"),
          field("rotor", this.bands.rotor_k, degrees),
          field("oil", this.bands.oil_k, degrees),
          field("intake", this.bands.intake_k, degrees),
        ),
        el("p", { className: "soft", text: t("campaign.empty") }),
      ),
      el("div", { className: "plan-foot" }, el("div", { className: "grow" }, this.problem), this.go),
    );
    this.update();
  }

  /** Body of the request and what is wrong with it; one of both is null. */
  read() {
    const kind = this.kind.value;
    const { plan, problem } = makePlan(kind, written(kind));
    const setups = this.order.value
      .split(/[,;\s]+/)
      .map((one) => one.trim())
      .filter(Boolean);
    const value = (input) => Number(input.value.trim().replace(",", "."));
    const within = (input, low, high) => input.value.trim() !== "" && value(input) >= low && value(input) <= high;
    if (problem) return [null, problem];
    if (needsTruck(kind, written(kind)) && !this.vehicle.value.trim()) return [null, t("plan.wrong.vehicle")];
    if (!setups.length || setups.length > 12 || setups.some((one) => one.length > 40))
      return [null, t("campaign.wrong.order")];
    for (const [input, key, low, high, unit] of [
      [this.repeats, "repeats", 1, 50, ""],
      [this.pause, "pause", 0, 7200, "s"],
      [this.wait, "wait", 1, 240, "min"],
    ]) {
      if (!within(input, low, high))
        return [null, t("plan.range", { what: t(`campaign.f.${key}`), low: number(low), high: number(high), unit })];
    }
    const alike = { pause_s: value(this.pause), longest_wait_s: value(this.wait) * 60 };
    for (const [key, most] of Object.entries({ rotor_k: 300, oil_k: 100, intake_k: 50 })) {
      const input = this.bands[key];
      const kelvin = value(input) / KELVIN();
      if (input.value.trim() === "")
        alike[key] = null; // does not matter
      else if (kelvin > 0 && kelvin <= most) alike[key] = kelvin;
      else
        return [
          null,
          t("plan.range", {
            what: t(`campaign.f.${key.replace("_k", "")}`),
            low: "0",
            high: number(most * KELVIN()),
            unit: "",
          }),
        ];
    }
    const campaign = { kind: "campaign", plan, setups, repeats: Math.round(value(this.repeats)), alike };
    return [{ campaign, name: this.name.value.trim(), vehicle: this.vehicle.value.trim() }, null];
  }

  update() {
    const kind = this.kind.value;
    setText(this.asked, summary(kind));
    this.change.href = `#/tests/${kind}`;
    const [body, problem] = this.read();
    setText(this.problem, problem ?? "");
    setText(this.runs, body ? t("campaign.count", { n: body.campaign.setups.length * body.campaign.repeats }) : "");
    this.body = body;
  }

  async begin() {
    this.update();
    if (!this.body) return;
    const answer = await post("/api/campaigns", this.body, 8000);
    if (noteAnswer(answer)) this.done(answer.data);
  }
}
