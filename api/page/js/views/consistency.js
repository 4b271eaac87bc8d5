// Does the rig still read what it read? Check runs kept as a set, in time order, on a control chart:
// centre and limits from the first runs, slow drift by summing up small shifts.

import { get } from "../api.js";
import { Chart } from "../components/chart.js";
import { runsNav } from "../components/subnav.js";
import { el, mark, setText } from "../dom.js";
import { told } from "../messages.js";
import { t, tOr } from "../texts.js";
import { dateTime } from "../units.js";
import { labelOf } from "../words.js";

export default class ConsistencyView {
  constructor({ id }) {
    this.charts = [];
    this.choose = el("select", { id: "set-choice" });
    this.note = el("p", { className: "soft", role: "status" });
    this.body = el("section", { className: "card curves hidden" });
    this.picker = el(
      "section",
      { className: "card" },
      el("h2", { text: t("consistency.title") }),
      el("p", { className: "soft", text: t("consistency.lead") }),
      el("label", { className: "field more-curves" }, t("consistency.set"), this.choose),
      this.note,
    );
    this.node = el(
      "div",
      { className: "overlay-page" },
      runsNav("consistency"),
      el("h1", { className: "unseen", text: t("sub.consistency") }),
      this.picker,
      this.body,
    );
    this.choose.addEventListener("change", () => this.show(this.choose.value));
    this.read(id);
  }

  async read(wanted) {
    const answer = await get("/api/sets");
    if (this.gone) return;
    const sets = answer.ok ? answer.data.sets : [];
    this.choose.replaceChildren(
      ...sets.map((one) => el("option", { value: one.name, text: `${one.name} (${one.runs.length})` })),
    );
    this.choose.closest("label").classList.toggle("hidden", !sets.length);
    if (!sets.length) {
      setText(this.note, answer.ok ? t("consistency.none") : (answer.problem?.detail ?? t("answer.silent")));
      return;
    }
    if (wanted && sets.some((one) => one.name === wanted)) this.choose.value = wanted;
    this.show(this.choose.value);
  }

  async show(name) {
    const answer = await get(`/api/consistency?set=${encodeURIComponent(name)}`, 20_000);
    if (this.gone) return;
    for (const chart of this.charts.splice(0)) chart.destroy();
    this.body.classList.toggle("hidden", !answer.ok);
    setText(
      this.note,
      answer.ok ? "" : `${answer.problem?.detail ?? t("answer.silent")} ${answer.problem?.remedy ?? ""}`,
    );
    if (!answer.ok) return;
    const { chart, runs, unit, quantity, left_out: left } = answer.data;
    const steady = chart.findings.length === 0;
    const flat = (value) => chart.values.map(() => value);
    const title = labelOf(tOr(`figure.${quantity}`, quantity.replaceAll("_", " ")));
    this.body.replaceChildren(
      el(
        "p",
        { className: steady ? "gain-says" : "gain-says problem" },
        mark(steady ? "done" : "caution"),
        " ",
        t(steady ? "consistency.steady" : "consistency.moved"),
      ),
      ...chart.findings.map((found) =>
        el(
          "p",
          {},
          el("b", { text: `${found.index + 1}. ${dateTime(stamp(runs[found.index]))}: ` }),
          tOr(`consistency.${found.rule.replaceAll(" ", "-")}`, told(found, "text")),
        ),
      ),
    );
    const places = chart.values.map((_, index) => index + 1);
    await this.add({
      title,
      unit,
      x: places,
      xUnit: "",
      xTitle: t("consistency.run"),
      height: 280,
      flags: chart.findings.map((found) => ({ number: found.index + 1, x: found.index + 1, voids: true })),
      series: [
        { label: t("consistency.value"), value: chart.values, style: 0 },
        {
          label: t("consistency.centre"),
          value: flat(chart.centre),
          low: flat(chart.lower),
          high: flat(chart.upper),
          style: 4,
        },
      ],
    });
    await this.add({
      title: t("consistency.sums"),
      unit,
      x: places,
      xUnit: "",
      xTitle: t("consistency.run"),
      height: 180,
      zero: true,
      spread: true,
      series: [
        { label: t("consistency.up"), value: chart.high_sums, style: 1 },
        { label: t("consistency.down"), value: chart.low_sums, style: 2 },
        { label: t("consistency.decision"), value: flat(chart.decision), style: 4 },
      ],
    });
    for (const one of left)
      this.body.append(el("p", { className: "soft", text: t("gain.left", { id: one.run_id, why: told(one, "why") }) }));
  }

  async add(options) {
    if (this.gone) return;
    const chart = new Chart(options);
    this.charts.push(chart);
    this.body.append(chart.node);
    await chart.draw();
  }

  leave() {
    this.gone = true;
    for (const chart of this.charts) chart.destroy();
  }
}

/** When a run began, from its id. */
function stamp(id) {
  return id.replace(/^(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)(\d\d).*$/, "$1-$2-$3T$4:$5:$6Z");
}
