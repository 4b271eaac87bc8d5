// Runs over each other, and before against after: the verdict first, then the curves. A difference
// counts as gained or lost only when its whole interval lies on one side of zero.

import { get, post } from "../api.js";
import { Chart, STYLES } from "../components/chart.js";
import { runsNav } from "../components/subnav.js";
import { el, mark, setText, show } from "../dom.js";
import { said } from "../kinds/said.js";
import { t, tOr } from "../texts.js";
import { dateTime, number } from "../units.js";
import { labelOf } from "../words.js";

const SIDES = ["before", "after", "only"];
const LEAST = 2; // repeats on each side

/** A curve drawn onto other places, straight between its points; null outside its range. */
export function onto(places, curve, column) {
  const { x } = curve;
  const y = curve[column];
  let at = 0;
  return places.map((place) => {
    if (place < x[0] - 1e-9 || place > x.at(-1) + 1e-9) return null;
    while (at < x.length - 2 && x[at + 1] < place) at += 1;
    const [a, b] = [y[at], y[at + 1] ?? y[at]];
    if (a === null || b === null || a === undefined) return null;
    const wide = (x[at + 1] ?? x[at]) - x[at];
    return wide === 0 ? a : a + ((b - a) * (place - x[at])) / wide;
  });
}

const percent = (share) => number(share * 100, 1, true);

export default class OverlayView {
  constructor({ id }) {
    this.ids = id ? id.split(",").filter(Boolean) : [];
    this.sides = new Map(this.ids.map((run, index) => [run, index < this.ids.length / 2 ? "before" : "after"]));
    if (this.ids.length < 2 * LEAST) for (const run of this.ids) this.sides.set(run, "only");
    this.charts = [];
    this.gain = el("section", { className: "card gain-card hidden", "aria-live": "polite" });
    this.chosen = el("section", { className: "card" });
    this.curves = el("section", { className: "card curves" });
    this.node = el("div", { className: "overlay-page" }, runsNav("overlay"), el("h1", { className: "unseen", text: t("overlay.title") }), this.gain, this.chosen, this.curves);
    if (!this.ids.length) {
      this.chosen.replaceChildren(el("h2", { text: t("overlay.title") }), el("p", { text: t("overlay.empty") }), el("p", { className: "spaced" }, el("a", { className: "button", href: "#/runs", text: t("overlay.choose") })));
      this.curves.remove();
    } else this.read();
  }

  async read() {
    const path = (run) => `/api/runs/${encodeURIComponent(run)}`;
    this.runs = (await Promise.all(this.ids.map(async (id) => {
      const [about, result] = await Promise.all([get(path(id)), get(`${path(id)}/result`)]);
      return { id, run: about.ok ? about.data : null, result: result.ok ? result.data : null };
    }))).filter((one) => one.run);
    if (this.gone) return;
    this.writeChosen();
    await this.drawCurves();
    this.compare();
  }

  writeChosen() {
    const rows = this.runs.map(({ id, run, result }, index) => {
      const select = el("select", { "aria-label": t("overlay.side", { id }) }, SIDES.map((side) => el("option", { value: side, text: t(`overlay.${side}`) })));
      select.value = this.sides.get(id);
      select.addEventListener("change", () => {
        this.sides.set(id, select.value);
        this.compare();
      });
      const words = result?.valid === false ? t("overlay.void") : result ? "" : t("run.noresult");
      return el("li", {},
        el("i", { className: "legend-line", "data-style": String(index % STYLES.length), "aria-hidden": "true" }),
        el("span", { className: "grow" }, el("a", { href: `#/runs/${id}`, text: `${tOr(`test.${run.kind}`, run.kind)}${run.vehicle ? ` · ${run.vehicle}` : ""}` }), el("br", {}), el("span", { className: "soft figure", text: `${dateTime(run.started_at)} · ${id}` }), words ? el("b", { className: "problem", text: ` ${words}` }) : null),
        select);
    });
    this.chosen.replaceChildren(el("h2", { text: t("overlay.title") }), el("ul", { className: "tokens sides-list" }, rows));
  }

  async drawCurves() {
    const names = new Map();
    for (const { result } of this.runs) for (const curve of result?.curves ?? []) names.set(`${curve.name}|${curve.unit}|${curve.x_unit}`, curve);
    if (!names.size) {
      this.curves.replaceChildren(el("p", { className: "soft", text: t("overlay.nocurves") }));
      return;
    }
    for (const [key, first] of names) {
      const found = this.runs.map((one, index) => ({ ...one, index, curve: (one.result?.curves ?? []).find((curve) => `${curve.name}|${curve.unit}|${curve.x_unit}` === key) })).filter((one) => one.curve?.x.length > 1);
      if (!found.length) continue;
      const places = [...new Set(found.flatMap(({ curve }) => curve.x.map((x) => Number(x.toPrecision(9)))))].sort((a, b) => a - b);
      const chart = new Chart({
        title: labelOf(first.label), unit: first.unit, x: places, xUnit: first.x_unit === "s" && first.x_name === "time" ? "clock" : first.x_unit, xTitle: labelOf(first.x_name), height: 320,
        series: found.map(({ id, run, curve, index }) => ({ label: `${run.vehicle || tOr(`test.${run.kind}`, run.kind)} · ${id.slice(9, 15)}`, style: index, value: onto(places, curve, "value"), low: onto(places, curve, "low"), high: onto(places, curve, "high") })),
      });
      this.charts.push(chart);
      this.curves.append(chart.node);
      await chart.draw();
      if (this.gone) return;
    }
  }

  async compare() {
    const side = (name) => this.runs.map(({ id }) => id).filter((id) => this.sides.get(id) === name);
    const [before, after] = [side("before"), side("after")];
    const enough = before.length >= LEAST && after.length >= LEAST;
    show(this.gain, true);
    if (!enough) {
      delete this.gain.dataset.verdict;
      this.gain.replaceChildren(el("p", { className: "soft", text: t("gain.needs", { n: LEAST }) }));
      return;
    }
    const answer = await post("/api/compare", { before, after }, 20_000);
    if (this.gone) return;
    if (!answer.ok) {
      delete this.gain.dataset.verdict;
      this.gain.replaceChildren(el("p", { className: "problem", text: answer.problem?.detail ?? t("answer.silent") }), el("p", { className: "soft", text: answer.problem?.remedy ?? "" }));
      return;
    }
    await this.writeGain(answer.data);
  }

  async writeGain(found) {
    const { overall } = found;
    const verdict = found.verdict.replaceAll(" ", "-");
    const words = { change: percent(overall.change), low: percent(overall.low), high: percent(overall.high), level: number(found.level * 100) };
    const more = found.more_repeats ?? null;
    this.gain.dataset.verdict = verdict;
    const shape = mark(verdict === "gained" ? "loaded" : verdict === "lost" ? "easing" : "unknown");
    this.gain.replaceChildren(
      el("p", { className: "gain-verdict" }, shape, t(`gain.${verdict}`)),
      el("p", { className: "gain-says", text: t("gain.says", words) }),
      this.interval(overall),
      verdict === "not-proven" ? el("p", { text: more ? t("gain.more", { n: more }) : t("gain.nomore") }) : "",
      ...found.warnings.map((text) => el("p", { className: "problem", text: said(text) })),
      ...found.left_out.map((one) => el("p", { className: "soft", text: t("gain.left", { id: one.run_id, why: said(one.why) }) })),
    );
    if (found.per_bin.length > 1) {
      const chart = new Chart({
        title: t("gain.over"), unit: "1", x: found.per_bin.map((one) => one.x), xUnit: found.x_unit, xTitle: labelOf(found.x_name), height: 200, zero: true,
        series: [{ label: t("gain.change"), value: found.per_bin.map((one) => one.change), low: found.per_bin.map((one) => one.low), high: found.per_bin.map((one) => one.high) }],
      });
      this.charts.push(chart);
      this.gain.append(chart.node);
      await chart.draw();
    }
  }

  /** The interval as a bar beside zero: where it lies is the verdict. */
  interval({ change, low, high }) {
    const reach = Math.max(Math.abs(low), Math.abs(high), 0.005) * 1.25;
    const at = (share) => `${50 + (share / reach) * 50}%`;
    const [zero, range, middle] = ["interval-zero", "interval-range", "interval-mid"].map((className) => el("i", { className }));
    zero.style.left = "50%";
    range.style.left = at(low);
    range.style.width = `${((high - low) / reach) * 50}%`;
    middle.style.left = at(change);
    return el("div", { className: "interval", role: "img", "aria-label": t("gain.says", { change: percent(change), low: percent(low), high: percent(high), level: "95" }) }, el("i", { className: "interval-axis" }), zero, range, middle);
  }

  leave() {
    this.gone = true;
    for (const chart of this.charts) chart.destroy();
  }
}
