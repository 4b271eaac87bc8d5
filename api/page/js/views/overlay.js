// Runs over each other, and before against after: the verdict first, then the curves.

import { get, post, postFile } from "../api.js";
import { Chart, STYLES } from "../components/chart.js";
import { writeGain } from "../components/gain-card.js";
import { meanOf, sidesTable } from "../components/sides-table.js";
import { noteAnswer } from "../components/notes.js";
import { runsNav } from "../components/subnav.js";
import { el, show } from "../dom.js";
import { settings } from "../settings.js";
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

export default class OverlayView {
  constructor({ id }) {
    this.ids = id ? id.split(",").filter(Boolean) : [];
    this.sides = new Map(this.ids.map((run, index) => [run, index < this.ids.length / 2 ? "before" : "after"]));
    if (this.ids.length < 2 * LEAST) for (const run of this.ids) this.sides.set(run, "only");
    this.charts = [];
    /** @type {any[]} */
    this.runs = []; // the chosen runs once they are read
    this.gain = el("section", { className: "card gain-card hidden", "aria-live": "polite" });
    this.chosen = el("section", { className: "card" });
    this.curves = el("section", { className: "card curves" });
    this.node = el(
      "div",
      { className: "overlay-page" },
      runsNav("overlay"),
      el("h1", { className: "unseen", text: t("overlay.title") }),
      this.gain,
      this.chosen,
      this.curves,
    );
    if (!this.ids.length) {
      this.chosen.replaceChildren(
        el("h2", { text: t("overlay.title") }),
        el("p", { text: t("overlay.empty") }),
        el("p", { className: "spaced" }, el("a", { className: "button", href: "#/runs", text: t("overlay.choose") })),
      );
      this.curves.remove();
    } else this.read();
  }

  async read() {
    const path = (run) => `/api/runs/${encodeURIComponent(run)}`;
    this.runs = (
      await Promise.all(
        this.ids.map(async (id) => {
          const [about, result] = await Promise.all([get(path(id)), get(`${path(id)}/result`)]);
          return { id, run: about.ok ? about.data : null, result: result.ok ? result.data : null };
        }),
      )
    ).filter((one) => one.run);
    if (this.gone) return;
    this.writeChosen();
    await this.drawCurves();
    this.compare();
  }

  writeChosen() {
    const rows = this.runs.map(({ id, run, result }, index) => {
      const select = el(
        "select",
        { "aria-label": t("overlay.side", { id }) },
        SIDES.map((side) => el("option", { value: side, text: t(`overlay.${side}`) })),
      );
      select.value = this.sides.get(id);
      select.addEventListener("change", async () => {
        this.sides.set(id, select.value);
        await this.drawCurves();
        this.compare();
      });
      const words = result?.valid === false ? t("overlay.void") : result ? "" : t("run.noresult");
      return el(
        "li",
        {},
        el("i", {
          className: "legend-line",
          "data-style": String(
            (SIDES.indexOf(this.sides.get(id)) + (this.sides.get(id) === "only" ? index : 0)) % STYLES.length,
          ),
          "aria-hidden": "true",
        }),
        el(
          "span",
          { className: "grow" },
          el("a", {
            href: `#/runs/${id}`,
            text: `${tOr(`test.${run.kind}`, run.kind)}${run.vehicle ? ` · ${run.vehicle}` : ""}`,
          }),
          el("br", {}),
          el("span", { className: "soft figure", text: `${dateTime(run.started_at)} · ${id}` }),
          words ? el("b", { className: "problem", text: ` ${words}` }) : null,
        ),
        select,
      );
    });
    this.chosen.replaceChildren(
      el("h2", { text: t("overlay.title") }),
      el("ul", { className: "tokens sides-list" }, rows),
    );
  }

  /** Each side in one colour, its repeats thin and their mean bold; runs of no side by themselves. */
  seriesOf(found, places) {
    const drawn = found.map(({ id, run, curve, index }) => {
      const side = SIDES.indexOf(this.sides.get(id));
      const value = onto(places, curve, "value");
      const label = `${run.vehicle || tOr(`test.${run.kind}`, run.kind)} · ${id.slice(9, 15)}`;
      return side < 2
        ? { side, label: "", style: side, width: 1, value }
        : {
            side,
            label,
            style: 2 + index,
            value,
            low: onto(places, curve, "low"),
            high: onto(places, curve, "high"),
          };
    });
    const means = [0, 1].flatMap((side) => {
      const repeats = drawn.filter((one) => one.side === side).map((one) => one.value);
      if (!repeats.length) return [];
      const label = t("overlay.mean", { side: t(`overlay.${SIDES[side]}`), n: number(repeats.length) });
      return [{ label, style: side, width: 4, value: meanOf(repeats) }];
    });
    return [...drawn, ...means];
  }

  async drawCurves() {
    for (const chart of this.charts) chart.destroy();
    this.charts = [];
    const table = sidesTable(this.runs.map((one) => ({ ...one, side: this.sides.get(one.id) })));
    this.curves.replaceChildren(...(table ? [table] : []));
    const names = new Map();
    for (const { result } of this.runs)
      for (const curve of result?.curves ?? []) names.set(`${curve.name}|${curve.unit}|${curve.x_unit}`, curve);
    if (!names.size) {
      this.curves.append(el("p", { className: "soft", text: t("overlay.nocurves") }));
      return;
    }
    for (const [key, first] of names) {
      const found = this.runs
        .map((one, index) => ({
          ...one,
          index,
          curve: (one.result?.curves ?? []).find((curve) => `${curve.name}|${curve.unit}|${curve.x_unit}` === key),
        }))
        .filter((one) => one.curve?.x.length > 1);
      if (!found.length) continue;
      const places = [...new Set(found.flatMap(({ curve }) => curve.x.map((x) => Number(x.toPrecision(9)))))].sort(
        (a, b) => a - b,
      );
      const chart = new Chart({
        title: labelOf(first.label),
        unit: first.unit,
        x: places,
        xUnit: first.x_unit === "s" && first.x_name === "time" ? "clock" : first.x_unit,
        xTitle: labelOf(first.x_name),
        height: 320,
        series: this.seriesOf(found, places),
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
      this.gain.replaceChildren(
        el("p", { className: "problem", text: answer.problem?.detail ?? t("answer.silent") }),
        el("p", { className: "soft", text: answer.problem?.remedy ?? "" }),
      );
      return;
    }
    this.gainChart?.destroy();
    this.gainChart = await writeGain(this.gain, answer.data);
    this.addReport(before, after);
  }

  /** The same comparison as a report in the reader's units and language. */
  addReport(before, after) {
    const open = (form) => async () => {
      const answer = await postFile(`/api/compare/report?form=${form}&${settings.asRead}`, { before, after });
      if (!noteAnswer(answer)) return;
      const address = URL.createObjectURL(/** @type {Blob} */ (answer.blob));
      el("a", { href: address, download: `before-and-after.${form}` }).click();
      setTimeout(() => URL.revokeObjectURL(address), 60_000);
    };
    this.gain.append(
      el(
        "div",
        { className: "row" },
        el("button", { type: "button", text: t("run.report"), onclick: open("html") }),
        el("button", { type: "button", text: "PDF", onclick: open("pdf") }),
      ),
    );
  }

  leave() {
    this.gone = true;
    this.gainChart?.destroy();
    for (const chart of this.charts) chart.destroy();
  }
}
