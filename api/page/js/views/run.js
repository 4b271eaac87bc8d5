// One run: the answer first, then the curves, then the conditions. Curves are drawn by uPlot, which
// is fetched only when a run is opened; figures come from the stored result, never from the curves.

import { get } from "../api.js";
import { el, setText } from "../dom.js";
import { t, tOr } from "../texts.js";
import { clockTime, dateTime, DASH, number, toShown, unitOf, withUnit } from "../units.js";
import { runSeconds, runState } from "./runs.js";

const CURVES = [
  ["engine_speed", "rotation", "run.rpm"],
  ["speed", "speed", "run.speed"],
  ["power", "power", "run.power"],
  ["force", "force", "run.force"],
];

let loading = null;

/** uPlot, fetched once from our own vendor folder. */
function loadPlot() {
  loading ??= new Promise((resolve, reject) => {
    const style = el("link", { rel: "stylesheet", href: "vendor/uplot/uPlot.min.css" });
    const script = el("script", { src: "vendor/uplot/uPlot.iife.min.js" });
    script.onload = () => resolve(globalThis.uPlot);
    script.onerror = () => {
      loading = null;
      reject(new Error("uPlot did not load"));
    };
    document.head.append(style, script);
  });
  return loading;
}

const num = (value) => (typeof value === "number" ? value : null);

export class RunView {
  constructor({ id }) {
    this.id = id;
    this.title = el("h1", { text: id });
    this.sub = el("p", { className: "soft" });
    this.answer = el("section", { className: "card answer" });
    this.curves = el("section", { className: "card curves" }, el("h2", { text: t("run.curves") }));
    this.details = el("section", { className: "card" });
    this.plots = [];
    this.node = el(
      "div",
      { className: "run-page" },
      el("div", { className: "run-head" }, el("a", { className: "button", href: "#/runs", text: `← ${t("back")}` }), el("div", {}, this.title, this.sub)),
      this.answer,
      this.curves,
      this.details,
    );
    this.resized = new ResizeObserver(() => this.fit());
    this.resized.observe(this.curves);
    this.read();
  }

  async read() {
    const path = `/api/runs/${encodeURIComponent(this.id)}`;
    const answer = await get(path);
    if (!answer.ok) {
      setText(this.sub, answer.status === 404 ? t("run.notfound") : answer.problem?.detail ?? t("runs.failed"));
      this.curves.remove();
      this.answer.remove();
      this.details.remove();
      return;
    }
    const run = answer.data;
    setText(this.title, `${tOr(`test.${run.kind}`, run.kind)}${run.vehicle ? ` · ${run.vehicle}` : ""}`);
    setText(this.sub, `${dateTime(run.started_at)} · ${clockTime(runSeconds(run))} · ${runState(run)} · ${run.id}`);
    this.writeAnswer(run.result);
    this.writeDetails(run);
    const samples = await get(`${path}/samples`);
    if (this.gone) return;
    await this.drawCurves(samples.ok ? samples.data : null);
  }

  writeAnswer(result) {
    if (!result) {
      this.answer.replaceChildren(el("p", { text: t("run.noresult") }));
      return;
    }
    const figure = (label, value, more) =>
      el("div", { className: "answer-item" }, el("span", { className: "soft", text: label }), el("b", { className: "figure", text: value }), more ? el("span", { className: "figure soft", text: more }) : null);
    const kw = (value) => withUnit("power", value);
    const items = [];
    const std = num(result.std_rpm);
    if (num(result.mean_power_kw) !== null) {
      items.push(figure(t("run.power"), kw(result.mean_power_kw * 1000), num(result.std_power_kw) !== null ? `± ${kw(result.std_power_kw * 1000)}` : ""));
    }
    if (num(result.mean_rpm) !== null) items.push(figure(t("run.rpm"), `${number(result.mean_rpm, 1)} rpm`, std === null ? "" : `${t("run.std")} ${number(std, 2)}`));
    if (num(result.mean_torque_nm) !== null) items.push(figure(t("run.torque"), withUnit("torque", result.mean_torque_nm), num(result.std_torque_nm) !== null ? `± ${withUnit("torque", result.std_torque_nm)}` : ""));
    const share = num(result.in_tolerance) ?? num(result.in_tolerance_share) ?? num(result.time_in_tolerance);
    if (share !== null) items.push(figure(t("run.tolerance"), `${number(share * 100, 1)} %`));
    this.answer.replaceChildren(...(items.length ? items : [el("p", { text: t("run.noresult") })]));
  }

  writeDetails(run) {
    const rows = [
      [t("run.vehicle"), run.vehicle],
      [t("rig.description"), run.rig_name],
      [t("run.ended"), run.reason],
      ...(run.notes ?? []).map((note) => [t("run.note"), `${note.text} (${note.who}, ${dateTime(note.at)})`]),
    ].filter(([, value]) => value);
    this.details.replaceChildren(
      el("h2", { text: t("run.details") }),
      el("table", { className: "pairs" }, el("tbody", {}, rows.map(([name, value]) => el("tr", {}, el("th", { scope: "row", text: name }), el("td", { text: value }))))),
    );
  }

  async drawCurves(data) {
    const columns = data?.columns ?? data;
    const time = columns?.time_s ?? null;
    const present = CURVES.filter(([key]) => Array.isArray(columns?.[key]) && columns[key].some((value) => value !== null));
    if (!time || !present.length) {
      this.curves.append(el("p", { className: "soft", text: t("run.curves.none") }));
      return;
    }
    const Plot = await loadPlot();
    if (this.gone) return;
    const style = getComputedStyle(this.node);
    const colour = (name) => style.getPropertyValue(name).trim();
    const start = time[0];
    const x = time.map((value) => value - start);
    const font = `500 13px ${colour("--font") || style.fontFamily}`;
    for (const [key, quantity, label] of present) {
      const name = `${t(label)}, ${unitOf(quantity)}`;
      const values = columns[key].map((value) => (value === null ? null : toShown(quantity, value)));
      const holder = el("figure", { className: "curve" }, el("figcaption", { text: name }));
      this.curves.append(holder);
      const axis = { stroke: colour("--ink-soft"), font, grid: { stroke: colour("--line"), width: 1 }, ticks: { show: false } };
      const plot = new Plot(
        {
          width: Math.max(200, holder.clientWidth),
          height: 190,
          cursor: { sync: { key: "run" }, drag: { x: true, y: false } },
          legend: { show: true, live: true },
          scales: { x: { time: false } },
          axes: [
            { ...axis, values: (_, ticks) => ticks.map((tick) => clockTime(tick)) },
            { ...axis, size: 64, values: (_, ticks) => ticks.map((tick) => number(tick, Number.isInteger(tick) ? 0 : 1)) },
          ],
          series: [
            { label: t("run.time"), value: (_, value) => (value === null ? DASH : `${number(value, 2)} s`) },
            { label: unitOf(quantity), stroke: colour("--absorbed"), width: 2, points: { show: false }, value: (_, value) => (value === null ? DASH : number(value, 1)) },
          ],
        },
        [x, values],
        holder,
      );
      plot.root.setAttribute("role", "img");
      plot.root.setAttribute("aria-label", t("run.curves.alt", { what: t(label) }));
      this.plots.push([plot, holder]);
    }
  }

  fit() {
    for (const [plot, holder] of this.plots) plot.setSize({ width: Math.max(200, holder.clientWidth), height: 190 });
  }

  leave() {
    this.gone = true;
    this.resized.disconnect();
    for (const [plot] of this.plots) plot.destroy();
  }
}

