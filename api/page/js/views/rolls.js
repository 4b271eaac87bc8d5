// At the rolls: the page one works with. State and what to do, the ledger, what is held, headroom.

import { Guide, stateNow } from "../components/guide.js";
import { Headroom } from "../components/headroom.js";
import { LastTest } from "../components/last-test.js";
import { Ledger } from "../components/ledger.js";
import { Steps } from "../components/steps.js";
import { Target } from "../components/target.js";
import { el, setAttr, setText, show } from "../dom.js";
import { t } from "../texts.js";

export class RollsView {
  constructor({ store, helm }) {
    this.store = store;
    this.helm = helm;
    this.steps = new Steps();
    this.guide = new Guide();
    this.ledger = new Ledger();
    this.target = new Target();
    this.heat = new Headroom();
    this.last = new LastTest(store);
    this.grid = el("div", { className: "rolls-grid" }, this.ledger.node, this.target.node, this.heat.node);
    this.empty = el("p", { className: "card nothing" });
    this.node = el(
      "div",
      { className: "rolls" },
      this.guide.node,
      this.steps.node,
      this.last.node,
      this.empty,
      this.grid,
    );
  }

  /** Strips, every painted frame. */
  draw(now) {
    const telemetry = this.store.telemetry;
    if (!telemetry?.measured) return;
    this.target.draw(telemetry, this.store, this.store.stale(now));
  }

  /** Figures with their bars and words, from one message, some times a second. */
  write(now) {
    const telemetry = this.store.telemetry;
    this.guide.write(this.store, now);
    this.last.write();
    this.steps.write(telemetry, stateNow(this.store, now), this.helm?.ours ?? false);
    const frame = telemetry?.measured;
    show(this.grid, Boolean(frame));
    show(this.empty, !frame);
    if (!frame) {
      setText(this.empty, telemetry ? t("why.noframe") : t("link.never"));
      return;
    }
    setAttr(this.grid, "data-test", telemetry.test?.kind ?? null);
    this.ledger.draw(frame, now);
    this.ledger.write(frame, this.store.rig);
    this.target.write(telemetry, this.store);
    this.heat.write(telemetry, this.store.rig, now);
  }

  repaint() {
    this.target.repaint();
  }

  leave() {
    this.last.leave();
    this.target.leave();
  }
}
