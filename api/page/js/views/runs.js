// The runs stored here, newest first, each a large line to touch.

import { get } from "../api.js";
import { el, setText } from "../dom.js";
import { t, tOr } from "../texts.js";
import { clockTime, dateTime } from "../units.js";


/** Seconds between two labels, NaN when one is missing. */
export function runSeconds(run) {
  return (Date.parse(run.ended_at) - Date.parse(run.started_at)) / 1000;
}

export function runState(run) {
  return tOr(`run.state.${run.state}`, run.state);
}


export class RunsView {
  constructor() {
    this.list = el("ul", { className: "runs" });
    this.note = el("p", { className: "soft" });
    this.retry = el("button", { type: "button", text: t("runs.retry"), onclick: () => this.read() });
    this.foot = el("div", { className: "runs-foot" }, this.note, this.retry);
    this.node = el("div", { className: "runs-page" }, el("h1", { text: t("runs.title") }), this.list, this.foot);
    this.read();
  }

  async read() {
    setText(this.note, "");
    this.retry.classList.add("hidden");
    const answer = await get("/api/runs");
    const runs = answer.ok ? (Array.isArray(answer.data) ? answer.data : answer.data.runs ?? []) : null;
    if (!runs) {
      setText(this.note, `${t("runs.failed")} ${answer.problem?.detail ?? ""}`);
      this.retry.classList.remove("hidden");
      return;
    }
    if (!runs.length) setText(this.note, `${t("runs.none")} ${t("runs.none.note")}`);
    this.list.replaceChildren(
      ...runs.map((run) =>
        el(
          "li",
          {},
          el(
            "a",
            { className: "run-line card", href: `#/runs/${encodeURIComponent(run.id)}` },
            el("span", { className: "run-when" }, el("b", { text: dateTime(run.started_at) }), el("span", { className: "soft figure", text: run.id })),
            el("span", { className: "run-what" }, el("b", { text: tOr(`test.${run.kind}`, run.kind) }), el("span", { className: "soft", text: run.vehicle || "" })),
            el("span", { className: "figure run-length", text: clockTime(runSeconds(run)) }),
            el("span", { className: "run-state", "data-state": run.state, text: runState(run) }),
          ),
        ),
      ),
    );
  }
}
