// The band at the top: the rig's state as shape and word, what to do now, how much is left. It is
// the first thing read from three metres. When nobody speaks, it says so instead.

import { el, mark, setAttr, setText, show } from "../dom.js";
import { told, toldAll } from "../messages.js";
import { say } from "./notes.js";
import { t, tOr } from "../texts.js";
import { clockTime, number } from "../units.js";

/** The state the page may claim: unknown as soon as the loop is silent. */
export function stateNow(store, now) {
  if (!store.telemetry || store.silent(now)) return "unknown";
  return store.telemetry.state;
}

/** What the driver should do now, in the reader's language and units. */
export function instructionOf(test) {
  return told(test, "instruction");
}

/** A phase's name as a person would say it. */
export function phaseOf(test) {
  return tOr(`phase.${test.phase.replaceAll(" ", "-")}`, test.phase);
}

/** Age of the readings in words once they are old: [figure, word], else null. */
export function ageWords(store, now) {
  const ms = store.ageMs(now);
  if (!store.stale(now) || !Number.isFinite(ms)) return null;
  const seconds = ms / 1000;
  const figure =
    seconds < 90 ? t("age.s", { n: number(seconds, seconds < 10 ? 1 : 0) }) : t("age.min", { n: number(seconds / 60) });
  return [figure, t("age.old")];
}

/** A fault's words in the reader's language. */
export function faultText(fault) {
  return { text: told(fault, "text"), remedy: told(fault, "remedy") };
}

/** Why the rig is tripped or refuses, and what to do next; `bad`: somebody has to act. */
export function causeOf(telemetry, state) {
  if (state === "unknown") return { line: t("state.unknown"), more: t("guide.unknown"), bad: true };
  if (state === "tripped") {
    const code = telemetry.first_cause;
    const fault = telemetry.faults.find((known) => known.code === code) ?? { code, text: code, remedy: "" };
    const words = faultText(fault);
    return { line: words.text || t("state.tripped"), more: `${words.remedy} ${t("guide.tripped")}`.trim(), bad: true };
  }
  const fault = telemetry.faults.find((known) => known.active);
  const words = fault ? faultText(fault) : { text: "", remedy: "" };
  return { line: words.text, more: words.remedy, bad: Boolean(fault) };
}

export class Guide {
  constructor() {
    this.shape = mark("unknown");
    this.word = el("strong", {});
    this.line = el("p", { className: "guide-line" });
    this.more = el("p", { className: "guide-more" });
    this.next = el("p", { className: "guide-next soft" });
    this.clock = el("span", { className: "figure guide-clock" });
    this.clockWord = el("span", { className: "soft" });
    this.progress = el("i", {});
    this.bar = el("span", { className: "guide-progress", "aria-hidden": "true" }, this.progress);
    this.timer = el("div", { className: "guide-timer" }, this.clock, this.clockWord);
    this.node = el(
      "section",
      { className: "guide" },
      el("div", { className: "guide-state" }, this.shape, this.word),
      el("div", { className: "guide-text" }, this.line, this.more, this.next),
      this.timer,
      this.bar,
    );
  }

  write(store, now) {
    const state = stateNow(store, now);
    const telemetry = store.telemetry;
    setAttr(this.node, "data-state", state);
    this.shape.become(state);
    const test = state === "unknown" ? null : telemetry.test;
    const phase = test ? phaseOf(test) : "";
    const word = test && state === "loaded" ? phase.charAt(0).toUpperCase() + phase.slice(1) : t(`state.${state}`);
    setText(this.word, word);
    let line = (test && instructionOf(test)) || t(`guide.${state}`);
    let more = "";
    if (state !== "unknown") {
      const cause = causeOf(telemetry, state);
      if (state === "tripped") [line, more] = [cause.line, cause.more];
      else more = `${cause.line} ${cause.more}`.trim();
    }
    setText(this.line, line);
    setText(this.more, more);
    show(this.more, more !== "");
    const voids = toldAll(test, "void");
    const then = test && state === "loaded" && !more ? (toldAll(test, "next_phases")[0] ?? "") : "";
    const words = voids.length ? t("test.void", { why: voids[0] }) : then ? t("test.next", { what: then }) : "";
    setText(this.next, words);
    setAttr(this.next, "data-void", voids.length ? "yes" : null);
    show(this.next, words !== "");
    const total = test?.total_s ?? null;
    const old = ageWords(store, now);
    show(this.timer, Boolean(test) || old !== null);
    setAttr(this.timer, "data-old", old ? "yes" : null);
    show(this.bar, Boolean(test) && total !== null);
    if (old) {
      setText(this.clock, old[0]);
      setText(this.clockWord, old[1]);
    } else if (test) {
      setText(this.clock, clockTime(total === null ? test.elapsed_s : total - test.elapsed_s));
      setText(this.clockWord, t(total === null ? "test.elapsed" : "test.left"));
    }
    if (test) {
      if (total !== null) this.progress.style.width = `${Math.min(1, test.elapsed_s / total) * 100}%`;
    }
    if (state !== this.said) {
      if (this.said !== undefined)
        say(`${t(`state.${state}`)}. ${line} ${more}`, state === "tripped" || state === "unknown");
      this.said = state;
    }
  }
}
