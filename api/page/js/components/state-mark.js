// The rig's state at the head of every page, and beneath it, away from the rolls, why the rig is
// tripped or refuses and what to do next: nobody reads results beside a trip that is hidden.

import { el, mark, setAttr, setText, show } from "../dom.js";
import { t } from "../texts.js";
import { causeOf, stateNow } from "./guide.js";

export class StateMark {
  constructor() {
    this.shape = mark("unknown");
    this.word = el("b", {});
    this.node = el("a", { className: "state-mark", href: "#/rolls" }, this.shape, this.word);
    this.line = el("b", {});
    this.more = el("span", {});
    this.cause = el("a", { className: "cause hidden", href: "#/rolls" }, mark("caution"), this.line, this.more);
  }

  write(store, now, page) {
    const state = stateNow(store, now);
    show(this.node, page !== "rolls"); // which says it larger
    setAttr(this.node, "data-state", state);
    this.shape.become(state);
    setText(this.word, t(`state.short.${state}`));
    const cause = causeOf(store.telemetry, state);
    const shown = cause.bad && page !== "rolls";
    setText(this.line, shown ? cause.line : "");
    setText(this.more, shown ? cause.more : "");
    setAttr(this.cause, "data-state", state);
    show(this.cause, shown);
  }
}
