// What an identification has found out about each absorber, what is in force, and the advice for the
// load loop. Taking it over or going back needs the role to maintain, the helm and a parked rig.

import { get, post } from "../api.js";
import { holdButton } from "../components/hold.js";
import { note, noteAnswer } from "../components/notes.js";
import { rigNav } from "../components/subnav.js";
import { el, mark } from "../dom.js";
import { told } from "../messages.js";
import { naturalName, t } from "../texts.js";
import { DASH, number, withUnit } from "../units.js";

const ms = (seconds) => `${number(seconds * 1000)} ms`;

export default class AbsorbersView {
  constructor({ store }) {
    this.store = store;
    this.tune = el("section", { className: "card" });
    this.cards = el("div", { className: "prove-cards" });
    this.node = el(
      "div",
      { className: "proving-page" },
      rigNav("absorbers"),
      el("h1", { className: "unseen", text: t("sub.absorbers") }),
      this.tune,
      this.cards,
    );
    this.read();
  }

  async read() {
    const answer = await get("/api/identification");
    if (this.gone) return;
    if (!answer.ok) {
      this.tune.replaceChildren(el("p", { text: answer.problem?.detail ?? t("answer.silent") }));
      return;
    }
    this.writeTune(answer.data);
    this.cards.replaceChildren(...answer.data.absorbers.map((one) => this.card(one)));
  }

  /** Send a command; what stands is read again when the loop has written it down. */
  send(path, body, done) {
    return async () => {
      if (!noteAnswer(await post(`/api/identification/${path}`, body))) return;
      note(done);
      setTimeout(() => !this.gone && this.read(), 4000);
    };
  }

  get mayChange() {
    return this.store.role === "maintain";
  }

  writeTune(found) {
    const { advice, in_force: force } = found;
    const margins = (gain, phase) =>
      t("absorbers.margins", {
        gain: gain === null ? t("absorbers.any") : number(gain, 1),
        phase: phase === null ? t("absorbers.any") : `${number(phase)}°`,
      });
    const rows = advice
      ? [
          [t("absorbers.then"), number(advice.observer_share, 2), margins(advice.gain_margin, advice.phase_margin_deg)],
          [
            t("absorbers.advised"),
            number(advice.advised_share, 2),
            margins(advice.advised_gain_margin, advice.advised_phase_margin_deg),
          ],
        ]
      : [];
    rows.push([
      t("absorbers.force"),
      number(found.observer_share, 2),
      force ? t("absorbers.by", { name: force.by, id: force.run_id }) : t("absorbers.usual"),
    ]);
    const actions = [];
    if (this.mayChange && advice)
      actions.push(
        holdButton({
          label: () => t("absorbers.accept"),
          className: "lead",
          action: this.send("tune-up/accept", { run_id: advice.run_id }, t("absorbers.accepted")),
        }),
      );
    if (this.mayChange && force)
      actions.push(
        holdButton({ label: () => t("absorbers.back"), action: this.send("tune-up/drop", {}, t("absorbers.dropped")) }),
      );
    this.tune.replaceChildren(
      el("h2", { text: t("absorbers.tune") }),
      el("p", { className: "soft", text: advice ? t("absorbers.from", { id: advice.run_id }) : t("absorbers.none") }),
      el(
        "table",
        {},
        el(
          "tbody",
          {},
          rows.map(([name, value, more]) =>
            el(
              "tr",
              {},
              el("th", { scope: "row", text: name }),
              el("td", { className: "figure", text: value }),
              el("td", { className: "soft", text: more }),
            ),
          ),
        ),
      ),
      ...(actions.length
        ? [
            el("div", { className: "row spaced" }, actions),
            el("p", { className: "problem spaced", text: told(found, "caution") }),
          ]
        : []),
    );
  }

  card({ name, in_force: inForce, identified: known, gain }) {
    const state = !known ? "never" : inForce ? "passed" : "overdue";
    const shape = { never: "unknown", passed: "done", overdue: "caution" }[state];
    const word = t(`absorbers.${{ never: "unknown", passed: "inforce", overdue: "aside" }[state]}`);
    const rows = known
      ? [
          ["date", known.date || DASH],
          [
            "error",
            `${number(known.error_percent, 1)} % ` +
              `(${t("absorbers.before", { n: number(known.error_before_percent, 1) })})`,
          ],
          [
            "peak",
            [withUnit("torque", known.map.peak_torque_nm), withUnit("rotation", known.map.critical_speed_radps)].join(
              " · ",
            ),
          ],
          ["drag", withUnit("torque", known.map.residual_torque_nm, 1)],
          ["coil", ms(known.coil_lag_s)],
          ["field", ms(known.field_lag_s)],
          ["dead", withUnit("speed", known.dead_below_mps)],
          ["gain", number(gain, 3)],
        ]
      : [["gain", number(gain, 3)]];
    return el(
      "section",
      { className: "card prove-card", "data-state": state },
      el(
        "div",
        { className: "prove-head" },
        el("h2", { text: naturalName(name) }),
        el("span", { className: "prove-word" }, mark(shape), word),
      ),
      el(
        "table",
        { className: "pairs" },
        el(
          "tbody",
          {},
          rows.map(([key, value]) =>
            el(
              "tr",
              {},
              el("th", { scope: "row", text: t(`absorbers.r.${key}`) }),
              el("td", { className: "figure", text: value }),
            ),
          ),
        ),
      ),
      known && this.mayChange
        ? holdButton({
            label: () => t("absorbers.file"),
            action: this.send("drop", { absorbers: [name] }, t("absorbers.dropped")),
          })
        : null,
    );
  }

  leave() {
    this.gone = true;
  }
}
