// The dock: always in sight, on every page. On one side who has the helm, in the middle the next
// step the rig allows, and under the thumb ease off: one tap, never asked twice, never covered.

import { easeOff, post } from "./api.js";
import { openCautions } from "./components/cautions.js";
import { holdButton } from "./components/hold.js";
import { note, noteAnswer } from "./components/notes.js";
import { closeSheet } from "./components/sheet.js";
import { stateNow } from "./components/guide.js";
import { el, mark, setAttr, setText, show } from "./dom.js";
import { t } from "./texts.js";
import { number, shown, toShown, unitOf } from "./units.js";

const STEPS = {
  "rad/s": ["rotation", (10 * Math.PI) / 30],
  "m/s": ["speed", 0.5],
  N: ["force", 50],
  W: ["power", 5000],
};

/** What the buttons beside the set point change: of a hold its value, of a climb its grade. */
function adjustable(test) {
  if (test?.kind === "grade-climb" && Number.isFinite(test.grade_percent))
    return { quantity: "percent", size: 0.5, value: test.grade_percent, least: -30, word: "driver.grade" };
  if (test?.kind !== "steady-hold") return null;
  const [quantity, size] = STEPS[test.unit] ?? STEPS.N;
  return { quantity, size, value: test.set_point, least: 0, word: "do.adjust" };
}

function button(key, action, className = "") {
  const node = el("button", { type: "button", className, onclick: action, text: t(key) });
  node.relabel = () => setText(node, t(key));
  return node;
}

function hold(key, action, className = "") {
  return holdButton({ label: () => t(key), action, className });
}

const send = (path, done) => async () => {
  if (noteAnswer(await post(path)) && done) note(t(done));
};

export class Dock {
  constructor(store, helm) {
    this.store = store;
    this.helm = helm;
    this.who = el("strong", {});
    this.whoMore = el("span", { className: "soft" });
    this.parts = {
      take: button("helm.take", () => this.take(), "lead"),
      ask: button("helm.ask", () => helm.ask()),
      release: button("helm.release", () => helm.release()),
      offer: hold("helm.hand", () => helm.offer(), "lead"),
      caution: button("do.caution", openCautions, "lead"),
      ready: hold("do.ready", send("/api/ready"), "lead"),
      zero: button("do.zero", send("/api/zero", "answer.zeroed")),
      start: button("do.start", () => (location.hash = "#/tests"), "lead"),
      ratio: button("do.ratio", send("/api/learn-ratio", "answer.ratio")),
      park: button("do.park", send("/api/park")),
      reset: hold("do.reset", send("/api/reset"), "lead"),
    };
    this.setWord = el("span", { className: "soft" });
    this.setValue = el("b", { className: "figure" });
    this.lower = el("button", { type: "button", className: "step", text: "−", onclick: () => this.step(-1) });
    this.raise = el("button", { type: "button", className: "step", text: "+", onclick: () => this.step(1) });
    this.adjust = el(
      "div",
      { className: "adjust" },
      this.lower,
      el("div", { className: "adjust-value" }, this.setWord, this.setValue),
      this.raise,
    );
    this.easeWord = el("strong", {});
    this.easeNote = el("small", {});
    this.ease = el(
      "button",
      { type: "button", className: "ease", onclick: () => this.easeOff() },
      mark("down"),
      el("span", {}, this.easeWord, this.easeNote),
    );
    const { take, ask, release, offer, ...steps } = this.parts;
    this.node = el(
      "footer",
      { className: "dock", "aria-label": t("do.ease") },
      el(
        "div",
        { className: "dock-helm" },
        mark("helm"),
        el("div", { className: "dock-who" }, this.who, this.whoMore),
        take,
        ask,
        release,
        offer,
      ),
      el("div", { className: "dock-next" }, this.adjust, Object.values(steps)),
      this.ease,
    );
    /** @type {{ value: number, at: number } | null} */
    this.pending = null;
  }

  relabel() {
    for (const part of Object.values(this.parts)) part.relabel();
    setAttr(this.node, "aria-label", t("do.ease"));
  }

  async easeOff() {
    this.pending = null;
    closeSheet();
    if (navigator.vibrate) navigator.vibrate(60);
    this.ease.classList.add("pressed");
    const answer = await easeOff();
    this.ease.classList.remove("pressed");
    if (answer.ok) note(t("answer.ease.sent"));
    else if (answer.status === 0 || answer.status >= 500) note(t("answer.ease.failed"), { bad: true });
    else noteAnswer(answer);
  }

  /** The helm; at the rolls with it what comes first: the cautions, when nobody has read them yet. */
  async take() {
    const taken = await this.helm.take();
    const telemetry = this.store.telemetry;
    const unread = telemetry?.state === "parked" && !telemetry.acknowledged;
    if (taken && unread && document.body.dataset.page === "rolls") openCautions();
  }

  /** The value asked for last, while it is fresh. */
  fresh(now) {
    return this.pending && now - this.pending.at < 2000 ? this.pending.value : null;
  }

  async step(direction) {
    const what = adjustable(this.store.telemetry?.test);
    if (!what) return;
    // several taps add up: count from the value last asked for, while it is fresh
    const from = this.fresh(performance.now()) ?? what.value;
    const value = Math.max(what.least, from + direction * what.size);
    this.pending = { value, at: performance.now() };
    if (!noteAnswer(await post("/api/test/adjust", { set_point: value }))) this.pending = null;
  }

  write(now) {
    const telemetry = this.store.telemetry;
    const state = stateNow(this.store, now);
    const { helm, parts } = this;
    const known = state !== "unknown";
    const ours = known && helm.ours;
    const view = helm.view;
    const taken = known && !helm.free && !ours;
    setText(
      this.who,
      !known
        ? t("helm.watching")
        : ours
          ? t("helm.yours")
          : taken
            ? t("helm.other", { name: helm.known(view.name || "?", view.holder) })
            : t("helm.free"),
    );
    setText(
      this.whoMore,
      known && ours && view.asked_by
        ? t("helm.asks", { name: helm.known(view.asked_by, view.asked_id ?? "") })
        : taken
          ? t("helm.watching")
          : "",
    );
    const asked = ours && Boolean(view.asked_by);
    const operates = this.store.role !== "watch";
    show(parts.take, known && helm.free && operates);
    show(parts.ask, taken && operates);
    show(parts.offer, asked);
    show(parts.release, ours && !asked && state !== "loaded" && state !== "easing");
    show(parts.caution, ours && !telemetry.acknowledged && (state === "parked" || state === "ready"));
    show(parts.ready, ours && telemetry.acknowledged && state === "parked");
    show(parts.zero, ours && state === "parked");
    const lacking = (telemetry?.zeros_missing ?? []).length > 0;
    parts.zero.classList.toggle("lead", lacking);
    parts.ready.classList.toggle("lead", !lacking); // never the first thing to press while it must be refused
    show(parts.start, ours && telemetry.acknowledged && state === "ready" && document.body.dataset.page !== "tests");
    show(parts.ratio, ours && state === "ready");
    show(parts.park, ours && state === "ready");
    show(parts.reset, ours && state === "tripped");
    const what = ours && state === "loaded" ? adjustable(telemetry.test) : null;
    show(this.adjust, Boolean(what));
    if (what) {
      const { quantity, size } = what;
      setText(this.setWord, t(what.word));
      setText(this.setValue, `${shown(quantity, this.fresh(now) ?? what.value)} ${unitOf(quantity)}`);
      const decimals = quantity === "speed" || quantity === "percent" ? 1 : 0;
      const slope = toShown(quantity, 1) - toShown(quantity, 0);
      const step = `${number(size * slope, decimals)} ${unitOf(quantity)}`;
      setAttr(this.lower, "aria-label", t("do.lower", { step }));
      setAttr(this.raise, "aria-label", t("do.raise", { step }));
    }
    setAttr(this.node, "data-mode", ours ? "ours" : taken ? "taken" : "free");
    setText(this.easeWord, state === "easing" ? t("do.easing") : t("do.ease"));
    setText(this.easeNote, t("do.ease.note"));
    setAttr(this.ease, "data-live", state === "loaded" || state === "unknown" ? "yes" : null);
  }
}
