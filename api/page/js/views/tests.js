// Choose a test: its kind by their shape, a plan in the reader's units, the rehearsal's answer,
// then the start by holding. What the rig cannot do it refuses with a reason, before anything moves.

import { get, postStart } from "../api.js";
import { stateNow } from "../components/guide.js";
import { holdButton } from "../components/hold.js";
import { limitsField } from "../components/limits-field.js";
import { note, noteAnswer } from "../components/notes.js";
import { outlookText, Rehearsal } from "../components/rehearsal.js";
import { routeField } from "../components/route-field.js";
import { el, setAttr, setText, show } from "../dom.js";
import { glyph } from "../kinds/glyph.js";
import {
  chooseKind,
  engineRange,
  KINDS,
  lastKind,
  makePlan,
  needsTruck,
  readTrace,
  setEngineRange,
  takesPart,
  unitFor,
  words,
  written,
} from "../kinds/index.js";
import { settings } from "../settings.js";
import { t } from "../texts.js";
import { clockTime, number } from "../units.js";

const TRUCKS = "drumlin.trucks"; // road loads typed on this tablet, by vehicle

function trucks() {
  try {
    return JSON.parse(localStorage.getItem(TRUCKS) ?? "{}");
  } catch {
    return {};
  }
}

function keepTruck(name, typed) {
  try {
    const all = {
      ...trucks(),
      [name]: Object.fromEntries(["a", "b", "c", "mass", "trailer"].map((key) => [key, typed[key]])),
    };
    localStorage.setItem(TRUCKS, JSON.stringify(all));
  } catch {
    // only a convenience
  }
}

export default class TestsView {
  constructor({ store, helm, id }) {
    this.store = store;
    this.helm = helm;
    this.cards = new Map();
    this.list = el("div", { className: "kinds", role: "radiogroup", "aria-label": t("tests.title") });
    for (const kind of Object.keys(KINDS)) {
      const card = el(
        "button",
        { type: "button", className: "kind", "data-kind": kind, role: "radio", onclick: () => this.choose(kind) },
        glyph(kind),
        el("b", { text: t(`test.${kind}`) }),
      );
      this.cards.set(kind, card);
      this.list.append(card);
    }
    this.form = el("section", { className: "card plan-card", "aria-labelledby": "plan-title" });
    this.node = el(
      "div",
      { className: "tests-page" },
      el("h1", { className: "unseen", text: t("tests.title") }),
      this.list,
      this.form,
    );
    this.known = el("datalist", { id: "known-vehicles" });
    this.choose(id in KINDS ? id : lastKind());
    this.readVehicles();
  }

  async readVehicles() {
    const answer = await get("/api/vehicles");
    const found = answer.ok ? (answer.data.vehicles ?? answer.data).map((one) => one.name) : [];
    this.known.replaceChildren(
      ...[...new Set([...found, ...Object.keys(trucks())])].map((name) => el("option", { value: name })),
    );
  }

  choose(kind) {
    chooseKind(kind);
    this.kind = kind;
    for (const [name, card] of this.cards) {
      setAttr(card, "aria-checked", name === kind ? "true" : "false");
    }
    this.typed = written(kind);
    /** @type {Map<string, [any, HTMLElement]>} */
    this.nodes = new Map();
    const spec = KINDS[kind];
    const inputs = (group, more) =>
      spec.fields
        .filter((one) => (one.group ?? "") === group && Boolean(one.more) === more)
        .map((one) => this.input(one));
    const truckFields = inputs("truck", false);
    this.truck = truckFields.length
      ? el(
          "fieldset",
          { className: "truck" },
          el("legend", { text: t("plan.truck") }),
          el("p", { className: "soft", text: t("plan.truck.note") }),
          el("div", { className: "plan-fields" }, truckFields),
        )
      : null;
    const vehicle = el("input", {
      type: "text",
      autocomplete: "off",
      maxlength: "80",
      value: words.vehicle,
      list: "known-vehicles",
      id: "plan-vehicle",
    });
    vehicle.addEventListener("change", () => this.recall(vehicle.value.trim()));
    const remark = el("input", {
      type: "text",
      placeholder: t("plan.optional"),
      autocomplete: "off",
      maxlength: "200",
      value: words.note,
      id: "plan-note",
    });
    this.vehicle = vehicle;
    this.remark = remark;
    this.vehicleHint = el("small", {});
    const onRolls = this.store.telemetry?.vehicle;
    if (onRolls) vehicle.value = onRolls;
    const extra = inputs("", true);
    this.problem = el("p", { className: "problem", role: "alert" });
    this.duration = el("p", { className: "plan-length" });
    this.rehearsal = new Rehearsal(() => makePlan(this.kind, this.typed).plan);
    this.start = holdButton({ label: () => t("plan.start"), className: "lead", action: () => this.begin() });
    this.why = el("p", { className: "soft plan-why" });
    this.engine = el("p", { className: "soft" });
    this.form.replaceChildren(
      el(
        "div",
        { className: "plan-head" },
        el(
          "div",
          {},
          el("h2", { id: "plan-title", text: t(`test.${kind}`) }),
          el("p", { className: "soft", text: t(`plan.lead.${kind}`) }),
        ),
        this.duration,
      ),
      el(
        "form",
        { className: "plan", oninput: () => this.update(), onsubmit: (event) => event.preventDefault() },
        el("div", { className: "plan-fields" }, inputs("", false)),
        this.engine,
        this.truck,
        extra.length
          ? el(
              "details",
              { className: "plan-more" },
              el("summary", { text: t("plan.more") }),
              el("div", { className: "plan-fields" }, extra),
            )
          : null,
        limitsField(this.store.telemetry?.slow ?? {}, () => this.update()),
        el(
          "div",
          { className: "plan-words" },
          el("label", { className: "field" }, t("plan.vehicle"), vehicle, this.vehicleHint),
          el("label", { className: "field" }, t("plan.note"), remark),
        ),
        this.known,
      ),
      this.rehearsal.node,
      el(
        "div",
        { className: "plan-foot" },
        el("div", { className: "grow" }, this.problem, this.why),
        el("a", { className: "button", href: "#/campaign", text: t("plan.repeat") }),
        this.start,
      ),
    );
    this.update();
  }

  /** One field with its unit; choices as a row of buttons, a trace as lines with its drawing. */
  input(one) {
    const id = `plan-${one.name}`;
    let node;
    if (one.choice) {
      node = el(
        "fieldset",
        { className: "choice plan-choice" },
        el("legend", { text: t(`plan.f.${one.name}`) }),
        one.choice.map((value) => {
          const input = el("input", { type: "radio", name: id, value });
          input.checked = this.typed[one.name] === value;
          input.addEventListener("change", () => {
            this.typed[one.name] = value;
            this.update(); // the form hears of it before this one does
          });
          return el("label", {}, input, t(`plan.c.${value}`));
        }),
      );
    } else if (one.tick) {
      const input = el("input", { type: "checkbox", id });
      input.checked = this.typed[one.name];
      input.addEventListener("change", () => {
        this.typed[one.name] = input.checked;
        this.update();
      });
      node = el(
        "label",
        { className: "caution plan-tick", for: id },
        input,
        el("span", { text: t(`plan.f.${one.name}`) }),
      );
    } else if (one.file) {
      node = routeField(this.typed, () => this.update());
    } else if (one.lines) {
      const input = el("textarea", { id, rows: "6", spellcheck: "false", autocomplete: "off" });
      input.value = this.typed[one.name];
      input.addEventListener("input", () => {
        this.typed[one.name] = input.value;
      });
      const file = el("input", {
        type: "file",
        accept: ".csv,.txt,text/csv,text/plain",
        className: "unseen",
        "aria-label": t("plan.trace.file"),
      });
      file.addEventListener("change", async () => {
        if (!file.files[0]) return;
        input.value = this.typed[one.name] = await file.files[0].text();
        this.update();
      });
      this.sketch = el("canvas", { className: "trace-sketch", width: "640", height: "160", "aria-hidden": "true" });
      node = el(
        "div",
        { className: "trace-field" },
        el(
          "label",
          { className: "field" },
          t("plan.f.trace"),
          input,
          el("small", { text: t("plan.trace.hint", { unit: unitFor("speed") }) }),
        ),
        el(
          "div",
          { className: "trace-side" },
          this.sketch,
          el("label", { className: "button file-button" }, el("span", { text: t("plan.trace.file") }), file),
        ),
      );
    } else {
      const input = el("input", {
        type: "text",
        inputmode: "decimal",
        autocomplete: "off",
        id,
        value: this.typed[one.name],
      });
      input.addEventListener("input", () => {
        this.typed[one.name] = input.value;
      });
      node = el(
        "label",
        { className: "field" },
        t(`plan.f.${one.name}`),
        el("span", { className: "with-unit" }, input, el("span", { className: "unit", text: unitFor(one.quantity) })),
      );
    }
    this.nodes.set(one.name, [one, node]);
    return node;
  }

  /** The road load typed last for a vehicle comes back with its name. */
  recall(name) {
    const kept = trucks()[name];
    if (!kept || !this.truck) return;
    for (const [key, value] of Object.entries(kept)) {
      this.typed[key] = value;
      const input = this.form.querySelector(`#plan-${key}`);
      if (input) input.value = value;
    }
    this.update();
  }

  update() {
    for (const [one, node] of this.nodes.values()) show(node, takesPart(one, this.typed));
    const asksTruck = needsTruck(this.kind, this.typed);
    if (this.truck) show(this.truck, asksTruck);
    words.vehicle = this.vehicle.value;
    words.note = this.remark.value;
    setText(this.vehicleHint, asksTruck ? t("plan.vehicle.needed") : "");
    setAttr(this.vehicle, "placeholder", asksTruck ? null : t("plan.optional"));
    const { plan, problem } = makePlan(this.kind, this.typed);
    const nameless = asksTruck && !this.vehicle.value.trim() ? t("plan.wrong.vehicle") : "";
    setText(this.problem, problem ?? nameless);
    this.ready = !problem && !nameless;
    const seconds = plan ? KINDS[this.kind].seconds(plan) : null;
    setText(this.duration, seconds ? t("plan.about", { time: clockTime(seconds) }) : "");
    if (this.sketch) this.drawSketch(readTrace(this.typed.trace));
    this.rehearsal?.changed(plan);
    this.write(performance.now());
  }

  drawSketch(points) {
    const context = this.sketch.getContext("2d");
    const style = getComputedStyle(this.node);
    const { width, height } = this.sketch;
    context.clearRect(0, 0, width, height);
    const good = points.filter(([s, v]) => Number.isFinite(s) && Number.isFinite(v));
    if (good.length < 2) return;
    const end = good.at(-1)[0] || 1;
    const top = Math.max(...good.map(([, v]) => v), 1) * 1.12;
    context.beginPath();
    for (const [s, v] of good) context.lineTo(6 + (s / end) * (width - 12), height - 6 - (v / top) * (height - 12));
    context.lineWidth = 4;
    context.lineJoin = "round";
    context.strokeStyle = style.getPropertyValue("--absorbed").trim() || "#1d6d88";
    context.stroke();
  }

  /** How fast the engine on the rolls may turn, and who says so. */
  writeEngine(telemetry) {
    const before = engineRange();
    setEngineRange(telemetry?.engine);
    const now = engineRange();
    const asked = [...this.nodes.values()].some(([one]) => one.engine && takesPart(one, this.typed));
    const range = {
      low: number(now.idle_rpm, 0),
      high: number(now.max_rpm, 0),
      unit: unitFor("rotation"),
      name: now.vehicle,
    };
    setText(this.engine, asked && telemetry ? t(now.vehicle ? "plan.engine.own" : "plan.engine", range) : "");
    if (before.idle_rpm !== now.idle_rpm || before.max_rpm !== now.max_rpm) this.update();
  }

  /** Called ten times a second: may it start, and if not, why. */
  write(now) {
    const state = stateNow(this.store, now);
    const { telemetry } = this.store;
    this.writeEngine(telemetry);
    const ours = this.helm.ours && state !== "unknown";
    let why = "";
    if (!ours) why = t("plan.why.helm");
    else if (!telemetry.acknowledged) why = t("plan.why.cautions");
    else if (telemetry.vehicle && this.vehicle.value.trim() !== telemetry.vehicle)
      why = t("plan.why.vehicle", { name: telemetry.vehicle });
    else if (state === "parked") why = t("plan.why.ready");
    else if (state !== "ready") why = t("plan.blocked", { state: t(`state.${state}`) });
    setText(this.why, why);
    setAttr(this.start, "aria-disabled", why || !this.ready ? "true" : null);
  }

  async begin() {
    const { plan } = makePlan(this.kind, this.typed);
    if (!plan || !this.ready) return;
    const vehicle = this.vehicle.value.trim();
    if (vehicle && needsTruck(this.kind, this.typed)) keepTruck(vehicle, this.typed);
    const body = { plan, vehicle, note: this.remark.value.trim(), units: settings.get("units") };
    const answer = await postStart("/api/test/start", { ...body, ...(this.rehearsal?.expected() ?? {}) });
    if (!noteAnswer(answer)) return;
    note(t("plan.started"));
    const { heat } = answer.data;
    if (heat && heat.possible !== true) note(outlookText(heat), { bad: true });
    location.hash = "#/rolls";
  }

  leave() {
    this.rehearsal?.leave();
  }
}
