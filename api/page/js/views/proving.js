// Calibration and readiness: what is due, how each verification stands beside its limits, and the
// steps to do it. Proving only writes the record; what was proven counts from the next start on.

import { get, post } from "../api.js";
import { holdButton } from "../components/hold.js";
import { note, noteAnswer } from "../components/notes.js";
import { shuntForm } from "../components/shunt-form.js";
import { rigNav } from "../components/subnav.js";
import { el, mark, setAttr, setText, show } from "../dom.js";
import { told } from "../messages.js";
import { naturalName, t } from "../texts.js";
import { dateTime, number, quantityOf, toShown, unitOf } from "../units.js";
import { labelOf } from "../words.js";

const KINDS = [
  "daily",
  "zero",
  "dead-weight",
  "shunt",
  "wiring",
  "delay",
  "response",
  "inertia",
  "loss",
  "diameter",
  "run-out",
  "time-base",
];
const SHAPES = { passed: "done", failed: "off", overdue: "caution", never: "unknown" };
const RANK = { failed: 3, overdue: 2, never: 1, passed: 0 };
const STEPS = {
  daily: 3,
  shunt: 3,
  wiring: 3,
  zero: 3,
  "dead-weight": 5,
  delay: 3,
  response: 3,
  inertia: 4,
  loss: 4,
  diameter: 4,
  "run-out": 3,
  "time-base": 3,
};
const ONE_RUN = {
  daily: "coastdown",
  delay: "coastdown",
  response: "identification",
  wiring: "coastdown",
  "time-base": "",
};
const day = (text) => (text ? dateTime(`${text}T12:00:00Z`).replace(/,? \d\d?:\d\d.*$/, "") : "–");

function shownFigure({ name, value, unit, limit }) {
  const quantity = unit === "1" && /count|steps|blocks/.test(name) ? "plain" : quantityOf(unit);
  const slope = quantity === "plain" ? 1 : toShown(quantity, 1) - toShown(quantity, 0);
  const word = quantity === "plain" ? unit.replace(/^1$/, "") : unitOf(quantity);
  const digits = (x) => (Math.abs(x) >= 100 ? 0 : Math.abs(x) >= 1 ? 2 : 4);
  const text = `${number(value * slope, digits(value * slope))} ${word}`;
  const most =
    limit === null || limit === undefined
      ? ""
      : ` (${t("prove.limit", { limit: `${number(limit * slope, digits(limit * slope))} ${word}` })})`;
  return `${labelOf(name)} ${text}${most}`;
}

/** Lines "mass count [up|down] [side]" as loads; null when one cannot be read. */
export function readLoads(text) {
  const loads = [];
  for (const line of text
    .split("\n")
    .map((one) => one.trim())
    .filter(Boolean)) {
    const [mass, count, way = "up", side = "1"] = line.split(/[\s;]+/);
    const load = {
      mass_kg: Number(mass.replace(",", ".")),
      count: Number((count ?? "").replace(",", ".")),
      rising: way !== "down",
      side: Number(side),
    };
    if (
      !Number.isFinite(load.mass_kg) ||
      !Number.isFinite(load.count) ||
      count === undefined ||
      ![1, 0, -1].includes(load.side)
    )
      return null;
    loads.push(load);
  }
  return loads.length ? loads : null;
}

/** One likely cause: which figures say so, and what to do next. */
function causeLine(cause) {
  return el(
    "li",
    { className: "prove-cause" },
    el("b", { text: told(cause, "evidence") }),
    " ",
    el("span", { text: told(cause, "next_step") }),
  );
}

export default class ProvingView {
  constructor({ store, helm }) {
    this.store = store;
    this.helm = helm;
    this.lead = el("section", { className: "card prove-lead", role: "status" });
    this.cards = el("div", { className: "prove-cards" });
    this.after = el("section", { className: "card hidden" });
    this.node = el(
      "div",
      { className: "proving-page" },
      rigNav("proving"),
      el("h1", { className: "unseen", text: t("sub.proving") }),
      this.lead,
      this.cards,
      this.after,
    );
    this.open = new Set();
    this.read();
  }

  get maintains() {
    return this.store.role === "maintain";
  }

  async read() {
    const answer = await get("/api/proving");
    if (this.gone) return;
    if (!answer.ok) {
      this.lead.replaceChildren(el("p", { text: answer.problem?.detail ?? t("answer.silent") }));
      return;
    }
    const { standing, today, lines, causes = [] } = answer.data;
    const due = standing.filter((one) => one.state !== "passed");
    setAttr(this.lead, "data-due", due.length ? "yes" : "no");
    this.lead.replaceChildren(
      el(
        "p",
        { className: "prove-count" },
        mark(due.length ? "caution" : "done"),
        el("b", { text: due.length ? t("prove.due", { n: due.length, all: standing.length }) : t("prove.none") }),
      ),
      el("p", {
        className: "soft",
        text: `${t("prove.today", { day: day(today) })} ${this.maintains ? "" : t("prove.maintain")}`,
      }),
      ...(causes.length ? [el("h2", { text: t("prove.causes") }), el("ul", {}, ...causes.map(causeLine))] : []),
    );
    this.cards.replaceChildren(
      ...KINDS.map((kind) =>
        this.card(
          kind,
          standing.filter((one) => one.kind === kind),
        ),
      ),
    );
    show(this.after, Boolean(lines) && this.maintains);
    if (lines) {
      this.after.replaceChildren(
        el("h2", { text: t("prove.apply") }),
        el("p", { className: "soft", text: t("prove.apply.lead") }),
        el("pre", { className: "prove-lines", tabindex: "0", text: lines }),
        holdButton({
          label: () => t("prove.apply.go"),
          action: async () => {
            if (noteAnswer(await post("/api/proving/apply", {}, 8000))) note(t("prove.applied"));
          },
        }),
      );
    }
  }

  card(kind, rows) {
    const worse = (a, b) => (RANK[b.state] > RANK[a] ? b.state : a);
    const worst = rows.length ? rows.reduce(worse, "passed") : "never";
    const line = (one) => {
      const figures = one.proof?.figures ?? [];
      return el(
        "li",
        { "data-state": one.state },
        el("span", { className: "prove-shape" }, mark(SHAPES[one.state])),
        el(
          "span",
          { className: "grow" },
          el("b", { text: naturalName(one.subject) }),
          ` · ${t(`prove.s.${one.state}`)}`,
          one.due ? el("span", { className: "soft", text: ` · ${t("prove.next", { day: day(one.due) })}` }) : null,
          figures.length
            ? el("span", { className: "prove-figures soft figure", text: figures.map(shownFigure).join(" · ") })
            : null,
          ...(one.proof?.notes ?? []).map((text) => el("span", { className: "prove-figures", text })),
        ),
      );
    };
    const steps = el(
      "details",
      { className: "prove-how" },
      el("summary", { text: t("prove.how") }),
      el(
        "ol",
        {},
        Array.from({ length: STEPS[kind] }, (_, index) => el("li", { text: t(`prove.${kind}.${index + 1}`) })),
      ),
      this.maintains ? this.action(kind) : null,
    );
    steps.open = this.open.has(kind);
    steps.addEventListener("toggle", () => this.open[steps.open ? "add" : "delete"](kind));
    return el(
      "section",
      { className: "card prove-card", "data-state": worst },
      el(
        "div",
        { className: "prove-head" },
        el("h2", { text: t(`prove.k.${kind}`) }),
        el("span", { className: "prove-word" }, mark(SHAPES[worst]), t(`prove.s.${worst}`)),
      ),
      el("p", { className: "soft", text: t(`prove.w.${kind}`) }),
      el("ul", { className: "prove-list" }, rows.map(line)),
      steps,
    );
  }

  /** What a person does at the end of the steps. */
  action(kind) {
    if (kind === "zero") {
      return el(
        "div",
        { className: "row" },
        el("button", {
          type: "button",
          text: t("do.zero"),
          onclick: async () => {
            if (noteAnswer(await post("/api/zero"))) note(t("answer.zeroed"));
          },
        }),
        el("button", { type: "button", className: "lead", text: t("prove.go"), onclick: () => this.prove("zero", {}) }),
      );
    }
    if (kind === "dead-weight") return this.weights();
    if (kind === "diameter") return this.diameter();
    if (kind === "shunt") return shuntForm(this.store, (body) => this.prove("shunt", body));
    return this.runs(kind in ONE_RUN || kind === "run-out" ? kind : "coasts");
  }

  /** Circumferences in mm across the width of one roll set, and dial readings. */
  diameter() {
    const which = el(
      "select",
      { id: "prove-rolls" },
      (this.store.rig?.roll_sets ?? []).map((one) => el("option", { value: one.name, text: naturalName(one.name) })),
    );
    const around = el("input", { type: "text", inputmode: "decimal", id: "prove-around" });
    const dials = el("input", { type: "text", inputmode: "decimal", id: "prove-dials" });
    const problem = el("p", { className: "problem", role: "alert" });
    const metres = (text) =>
      text
        .split(/[\s;]+/)
        .filter(Boolean)
        .map((word) => Number(word.replace(",", ".")) / 1000);
    const go = el("button", {
      type: "button",
      className: "lead",
      text: t("prove.go"),
      onclick: () => {
        const [rings, runOut] = [metres(around.value), metres(dials.value)];
        const fine = rings.length && [...rings, ...runOut].every(Number.isFinite);
        setText(problem, fine ? "" : t("prove.around.wrong"));
        if (fine) this.prove("diameter", { roll_set: which.value, circumferences_m: rings, dials_m: runOut });
      },
    });
    return el(
      "div",
      { className: "prove-form" },
      el("label", { className: "field" }, t("prove.rolls"), which),
      el("label", { className: "field" }, t("prove.around"), around, el("small", { text: t("prove.around.hint") })),
      el("label", { className: "field" }, t("prove.dials"), dials),
      problem,
      go,
    );
  }

  weights() {
    const { rig } = this.store;
    const which = el(
      "select",
      { id: "prove-absorber" },
      (rig?.absorbers ?? []).map((one) => el("option", { value: one.name, text: naturalName(one.name) })),
    );
    const arm = el("input", { type: "text", inputmode: "decimal", id: "prove-arm", value: "1.0" });
    const loads = el("textarea", { rows: "6", spellcheck: "false", id: "prove-loads" });
    const problem = el("p", { className: "problem", role: "alert" });
    const go = el("button", {
      type: "button",
      className: "lead",
      text: t("prove.go"),
      onclick: () => {
        const read = readLoads(loads.value);
        const long = Number(arm.value.replace(",", "."));
        setText(problem, read && long > 0 ? "" : t("prove.weights.wrong"));
        if (!read || !(long > 0)) return;
        const absorber = rig.absorbers.find((one) => one.name === which.value);
        this.prove("dead-weight", {
          absorber: which.value,
          loads: read,
          setup: {
            calibration_arm_m: long,
            cell_arm_m: absorber.arm_m,
            latitude_deg: rig.site.latitude_deg,
            altitude_m: rig.site.altitude_m,
          },
        });
      },
    });
    return el(
      "div",
      { className: "prove-form" },
      el(
        "div",
        { className: "plan-words" },
        el("label", { className: "field" }, t("prove.absorber"), which),
        el("label", { className: "field" }, t("prove.arm"), arm),
      ),
      el("label", { className: "field" }, t("prove.loads"), loads, el("small", { text: t("prove.loads.hint") })),
      problem,
      go,
    );
  }

  /** Choose recorded runs; one for most, several coasts for inertia, losses and tooth wheels. */
  runs(kind) {
    const list = el("div", { className: "prove-runs" });
    const go = el("button", {
      type: "button",
      className: "lead",
      text: t("prove.go"),
      onclick: () => {
        const chosen = [...list.querySelectorAll("input:checked")].map((box) => box.value);
        if (!chosen.length) note(t("prove.choose"), { bad: true });
        else this.prove(kind, kind in ONE_RUN ? { run: chosen[0] } : { runs: chosen });
      },
    });
    const fill = async () => {
      const wanted = ONE_RUN[kind] ?? "coastdown";
      const answer = await get(`/api/runs?${wanted ? `kind=${wanted}&` : ""}limit=30`);
      const runs = answer.ok ? answer.data.runs.filter((run) => run.state === "closed") : [];
      list.replaceChildren(
        ...(runs.length
          ? runs.map((run) =>
              el(
                "label",
                { className: "caution" },
                el("input", { type: kind in ONE_RUN ? "radio" : "checkbox", name: `prove-${kind}`, value: run.id }),
                el("span", { text: `${dateTime(run.started_at)} · ${run.id}` }),
              ),
            )
          : [el("p", { className: "soft", text: t(wanted === "coastdown" ? "prove.nocoasts" : "prove.noruns") })]),
      );
    };
    fill();
    return el("div", { className: "prove-form" }, list, go);
  }

  async prove(path, body) {
    const answer = await post(`/api/proving/${path}`, body, 60_000);
    if (!noteAnswer(answer) || this.gone) return;
    const failed = answer.data.proofs.filter((proof) => !proof.passed);
    note(failed.length ? t("prove.failed", { n: failed.length }) : t("prove.passed"), { bad: failed.length > 0 });
    this.read();
  }

  leave() {
    this.gone = true;
  }
}
