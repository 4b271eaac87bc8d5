// A campaign: one plan repeated, or alternated between set-ups, each run under like conditions. What
// it waits for now stands large; every run is started by a person at the helm. Nothing here starts
// anything by itself.

import { get, post, postStart } from "../api.js";
import { stateNow } from "../components/guide.js";
import { writeGain } from "../components/gain-card.js";
import { holdButton } from "../components/hold.js";
import { note, noteAnswer } from "../components/notes.js";
import { testsNav } from "../components/subnav.js";
import { el, mark, setAttr, setText, show } from "../dom.js";
import { CampaignForm } from "../components/campaign-form.js";
import { told, toldAll } from "../messages.js";
import { t, tOr } from "../texts.js";
import { dateTime, DASH, number, toShown, unitOf, withUnit } from "../units.js";

const kindName = (kind) => tOr(`test.${kind}`, kind);

const LOOK_MS = 1500;
const SHAPES = { paused: "silent", change: "settings", waiting: "heat", ask: "ready", running: "loaded", done: "done" };

export default class CampaignView {
  constructor({ store, helm, id }) {
    this.store = store;
    this.helm = helm;
    this.id = id;
    this.key = "";
    this.body = el("div", { className: "campaign-body" });
    this.list = el("section", { className: "card hidden" });
    this.node = el(
      "div",
      { className: "campaign-page" },
      testsNav("campaign"),
      el("h1", { className: "unseen", text: t("sub.campaign") }),
      this.body,
      this.list,
    );
    this.start();
  }

  async start() {
    if (!this.id) {
      const answer = await get("/api/campaigns");
      if (this.gone) return;
      if (!answer.ok) {
        this.body.replaceChildren(
          el("section", { className: "card" }, el("p", { text: answer.problem?.detail ?? t("answer.silent") })),
        );
        return;
      }
      this.showList(answer.data);
      this.id = answer.data.in_hand;
      if (!this.id) {
        this.body.replaceChildren(new CampaignForm(this.store, (view) => this.take(view)).node);
        return;
      }
    }
    this.look();
  }

  take(view) {
    this.id = view.id;
    this.show(view);
    this.later();
  }

  showList({ campaigns, in_hand: inHand }) {
    const past = campaigns.filter((one) => one.id !== inHand);
    show(this.list, past.length > 0);
    this.list.replaceChildren(
      el("h2", { text: t("campaign.past") }),
      el(
        "ul",
        { className: "tokens" },
        past.map((one) => {
          const valid = one.kept.runs.filter((run) => run.valid).length;
          return el(
            "li",
            {},
            el(
              "a",
              { className: "grow past-campaign", href: `#/campaign/${one.id}` },
              el("b", { text: one.name }),
              el("span", {
                className: "soft",
                text: [one.vehicle, kindName(one.campaign.plan.kind), dateTime(one.made_at)]
                  .filter(Boolean)
                  .join(" · "),
              }),
            ),
            el("span", {
              className: "figure",
              text: t("campaign.valid", { n: valid, all: one.campaign.setups.length * one.campaign.repeats }),
            }),
          );
        }),
      ),
    );
  }

  async look() {
    const answer = await get(`/api/campaigns/${encodeURIComponent(this.id)}`);
    if (this.gone) return;
    if (answer.ok) this.show(answer.data);
    else if (!this.view)
      this.body.replaceChildren(
        el("section", { className: "card" }, el("p", { text: answer.problem?.detail ?? t("answer.silent") })),
      );
    this.later();
  }

  later() {
    clearTimeout(this.timer);
    if (!this.gone && this.view?.stage !== "done") this.timer = setTimeout(() => this.look(), LOOK_MS);
  }

  /** Build anew only when something other than a figure has changed: a held button stays. */
  show(view) {
    this.view = view;
    const key = JSON.stringify([view.stage, view.setup, view.number, view.runs, view.running, view.fitted]);
    if (key !== this.key) {
      this.key = key;
      this.build(view);
    }
    this.why.replaceChildren(...toldAll(view, "why").map((text) => el("li", { text })));
    show(this.why, view.why.length > 0);
    this.writeConditions(view);
    this.write(performance.now());
  }

  build(view) {
    this.why = el("ul", { className: "campaign-why" });
    this.block = el("p", { className: "soft" });
    this.conditions = el("tbody", {});
    this.actions = el("div", { className: "campaign-actions" });
    const values = { n: view.number, all: view.of, setup: view.setup };
    const stage = el(
      "section",
      { className: "card campaign-stage", "data-stage": view.stage, "aria-live": "polite" },
      el(
        "p",
        { className: "campaign-now" },
        mark(SHAPES[view.stage]),
        el("strong", {
          text: t(`campaign.stage.${view.stage}${view.stage === "done" && !view.complete ? ".early" : ""}`, values),
        }),
      ),
      el("p", { className: "campaign-do", text: t(`campaign.do.${view.stage}`, values) }),
      this.why,
      this.actions,
      this.block,
    );
    this.fillActions(view, values);
    const runs = el(
      "section",
      { className: "card" },
      el("h2", { text: t("campaign.runs") }),
      view.runs.length
        ? el(
            "ul",
            { className: "tokens" },
            view.runs.map((run) =>
              el(
                "li",
                {},
                el("b", { className: "campaign-setup", text: run.setup }),
                el("a", { className: "grow campaign-run", href: `#/runs/${run.run_id}`, text: run.run_id }),
                el(
                  "span",
                  { className: run.valid ? "" : "problem" },
                  mark(run.valid ? "done" : "off"),
                  " ",
                  run.valid ? t("campaign.counts") : `${t("campaign.void")} ${told(run, "why")}`,
                ),
              ),
            ),
          )
        : el("p", { className: "soft", text: t("campaign.norun") }),
    );
    this.gain = el("section", { className: "card gain-card hidden" });
    this.body.replaceChildren(
      el(
        "section",
        { className: "card campaign-head" },
        el(
          "div",
          {},
          el("h2", { text: view.name }),
          el("p", {
            className: "soft",
            text: `${view.vehicle ? `${view.vehicle} · ` : ""}${tOr(`test.${view.kind}`, view.kind)}`,
          }),
        ),
        this.track(view),
      ),
      stage,
      el(
        "section",
        { className: "card campaign-alike" },
        el("h2", { text: t("campaign.alike") }),
        el(
          "table",
          {},
          el(
            "thead",
            {},
            el(
              "tr",
              {},
              el("th", {}),
              ...["first", "now", "apart"].map((name) =>
                el("th", { scope: "col", className: "figure", text: t(`campaign.${name}`) }),
              ),
            ),
          ),
          this.conditions,
        ),
      ),
      this.gain,
      runs,
      ...toldAll(view, "hints").map((text) => el("p", { className: "soft", text })),
    );
    this.compare(view);
  }

  /** The order of all runs: which are done, which comes next. */
  track(view) {
    const valid = view.runs.filter((run) => run.valid).length;
    return el(
      "ol",
      { className: "campaign-track", "aria-label": t("campaign.order") },
      view.order.map((setup, index) => {
        const state = index < valid ? "done" : index === valid && view.stage !== "done" ? "next" : "open";
        return el(
          "li",
          { "data-state": state, "aria-current": state === "next" ? "step" : null },
          el("b", { text: setup }),
          state === "done" ? mark("done") : null,
          el("span", { className: "unseen", text: t(`campaign.${state}`) }),
        );
      }),
    );
  }

  fillActions(view, values) {
    this.begin = null;
    if (this.store.role === "watch") return;
    const path = `/api/campaigns/${encodeURIComponent(view.id)}`;
    const send =
      (what, body = {}) =>
      async () => {
        const answer = await post(`${path}/${what}`, body);
        if (noteAnswer(answer) && answer.data?.stage) this.show(answer.data);
      };
    const actions = [];
    if (view.stage === "change")
      actions.push(
        holdButton({
          label: () => t("campaign.fitted", values),
          className: "lead",
          action: send("fitted", { setup: view.setup }),
        }),
      );
    if (view.stage === "ask") {
      this.checked = el("input", { type: "checkbox", id: "campaign-checked" });
      this.begin = holdButton({
        label: () => t("campaign.start", values),
        className: "lead",
        action: async () => {
          if (!noteAnswer(await postStart(`${path}/run`, { number: view.number, checked: true }))) return;
          note(t("plan.started"));
          location.hash = "#/rolls";
        },
      });
      this.checked.addEventListener("change", () => this.write(performance.now()));
      actions.push(
        el(
          "label",
          { className: "caution", for: "campaign-checked" },
          this.checked,
          el("span", { text: t("campaign.checked") }),
        ),
        this.begin,
      );
    }
    if (view.stage === "running") actions.push(el("a", { className: "button", href: "#/rolls", text: t("nav.rolls") }));
    if (view.stage === "paused")
      actions.push(
        el("button", { type: "button", className: "lead", text: t("campaign.resume"), onclick: send("resume") }),
      );
    else if (view.stage !== "done")
      actions.push(el("button", { type: "button", text: t("campaign.pause"), onclick: send("pause") }));
    if (view.stage !== "done") actions.push(holdButton({ label: () => t("campaign.stop"), action: send("stop") }));
    else
      actions.push(
        el("a", {
          className: "button lead",
          href: "#/campaign",
          onclick: () => setTimeout(() => dispatchEvent(new HashChangeEvent("hashchange"))),
          text: t("campaign.another"),
        }),
      );
    this.actions.replaceChildren(...actions);
  }

  writeConditions(view) {
    const rows = [...new Set([...Object.keys(view.first), ...Object.keys(view.now)])];
    const step = toShown("temperature", 1) - toShown("temperature", 0);
    this.conditions.replaceChildren(
      ...rows.map((name) => {
        const [first, now] = [view.first[name], view.now[name]];
        const apart =
          first === undefined || now === undefined
            ? DASH
            : `${number((now - first) * step, 1, true)} ${unitOf("temperature") === "°F" ? "°F" : "K"}`;
        const cell = (value) =>
          el("td", { className: "figure", text: value === undefined ? DASH : withUnit("temperature", value, 1) });
        return el(
          "tr",
          {},
          el("th", { scope: "row", text: tOr(`campaign.c.${name}`, name) }),
          cell(first),
          cell(now),
          el("td", { className: "figure", text: apart }),
        );
      }),
    );
  }

  async compare(view) {
    const count = (setup) => view.runs.filter((run) => run.valid && run.setup === setup).length;
    const setups = [...new Set(view.order)];
    if (setups.length < 2 || setups.filter((setup) => count(setup) >= 2).length < 2) return;
    const { gain } = this;
    const answer = await get(`/api/campaigns/${encodeURIComponent(view.id)}/gain`, 20_000);
    if (this.gone || gain !== this.gain) return;
    show(gain, true);
    if (answer.ok) {
      this.chart?.destroy();
      this.chart = await writeGain(gain, answer.data);
      gain.prepend(el("h2", { text: t("campaign.gain", { before: setups[0], after: setups[1] }) }));
    } else gain.replaceChildren(el("p", { className: "soft", text: answer.problem?.detail ?? t("answer.silent") }));
  }

  /** Called ten times a second: may the run start, and if not, why. */
  write(now) {
    if (!this.begin) {
      if (this.block) setText(this.block, "");
      return;
    }
    const state = stateNow(this.store, now);
    const { telemetry } = this.store;
    let why = "";
    if (!this.helm.ours || state === "unknown") why = t("plan.why.helm");
    else if (!telemetry.acknowledged) why = t("plan.why.cautions");
    else if (state === "parked") why = t("plan.why.ready");
    else if (state !== "ready") why = t("plan.blocked", { state: t(`state.${state}`) });
    else if (!this.checked.checked) why = t("campaign.look");
    setText(this.block, why);
    setAttr(this.begin, "aria-disabled", why ? "true" : null);
  }

  leave() {
    this.gone = true;
    clearTimeout(this.timer);
    this.chart?.destroy();
  }
}
