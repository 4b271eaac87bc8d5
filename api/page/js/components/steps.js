// The way from rolling on to a result, as one line: what is done, what comes next, what is left. It
// shows and never forces: every step can be taken or skipped where it belongs.

import { el, setAttr, setText, show } from "../dom.js";
import { t } from "../texts.js";

const WAYS = {
  helm: null,
  cautions: null,
  zero: "#/proving",
  ready: null,
  ratio: null,
  test: "#/tests",
  look: "#/runs",
  compare: "#/runs",
};

/**
 * The steps as [name, "done" | "next" | "open"]. `next` is the first that is not done; nothing is next
 * while a test runs, a trip stands or nobody knows the state.
 */
export function stepsOf(telemetry, state, ours) {
  const ended = Boolean(telemetry.last_end);
  const up = state === "ready" || state === "loaded" || state === "easing";
  const done = {
    helm: ours || up,
    cautions: telemetry.acknowledged,
    zero: (telemetry.zeros_missing ?? []).length === 0,
    ready: up,
    ratio: telemetry.ratio_known ?? false,
    test: ended || state === "loaded",
    look: false,
    compare: false,
  };
  const waits = state === "parked" || state === "ready";
  // a gear ratio is needed by few and a test may begin without it: it is never what comes next
  const next = waits ? Object.keys(done).find((name) => name !== "ratio" && !done[name]) : undefined;
  return Object.keys(done).map((name) => [name, done[name] ? "done" : name === next ? "next" : "open"]);
}

export class Steps {
  constructor() {
    this.items = new Map(
      Object.entries(WAYS).map(([name, href]) => {
        const word = el(href ? "a" : "span", href ? { href } : {});
        return [name, { word, node: el("li", {}, word) }];
      }),
    );
    this.list = el(
      "ol",
      {},
      [...this.items.values()].map((item) => item.node),
    );
    this.node = el("nav", { className: "steps" }, this.list);
  }

  write(telemetry, state, ours) {
    const known = telemetry && state !== "unknown" && state !== "tripped" && state !== "loaded" && state !== "easing";
    show(this.node, Boolean(known));
    if (!known) return;
    setAttr(this.node, "aria-label", t("steps.title"));
    for (const [name, how] of stepsOf(telemetry, state, ours)) {
      const item = this.items.get(name);
      if (!item) continue;
      const { word, node } = item;
      setText(word, t(`steps.${name}`));
      setAttr(node, "data-how", how);
      setAttr(node, "aria-current", how === "next" ? "step" : null);
    }
  }
}
