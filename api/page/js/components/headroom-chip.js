// Headroom in minutes with its 95 % interval, at the head of every page: how long the present power
// may last before the first absorber reaches its limit. Unknown is a dash, never a guess.

import { el, mark, setAttr, setText } from "../dom.js";
import { t } from "../texts.js";
import { DASH } from "../units.js";
import { heatNow, intervalMinutes, limiterName, Verdict } from "./headroom.js";

export class HeadroomChip {
  constructor() {
    this.word = el("span", { className: "chip-word" });
    this.value = el("b", { className: "figure" });
    this.whose = el("span", { className: "unseen" });
    this.verdict = new Verdict();
    this.node = el("a", { className: "chip", href: "#/heat" }, mark("heat"), this.word, this.value, this.whose);
  }

  relabel() {
    setText(this.word, t("heat.title"));
  }

  write(store, now) {
    const telemetry = store.telemetry;
    let level = "calm";
    let text = DASH;
    let whose = "";
    if (telemetry && !store.silent(now)) {
      const { first, unknown, told, level: urgent } = heatNow(telemetry, this.verdict, now);
      level = urgent;
      if (first) whose = limiterName(first);
      if (told) text = t(`heat.test.short.${told.verdict}`);
      else if (first) text = `${intervalMinutes(first)} ${t("heat.min")}`;
      else if (!unknown && telemetry.absorbers.length) text = t("heat.free.short");
    }
    setText(this.value, text);
    setAttr(this.node, "data-level", level);
    setText(this.whose, whose);
  }
}
