// One run: the answer first, then the curves, then the conditions. Curves are drawn by uPlot, which
// is fetched only when a run is opened; figures come from the stored result, never from the curves.

import { get } from "../api.js";
import { el, setText } from "../dom.js";
import { naturalName, t, tOr } from "../texts.js";
import { clockTime, dateTime, DASH, number, quantityOf, toShown, unitOf, withUnit } from "../units.js";
import { runSeconds, runState } from "./runs.js";

// groups shown at once: a title and which columns of the run belong to it
const GROUPS = [
  ["run.rpm", "rad/s", /^engine_speed/],
  ["run.power", "W", /power_w$/],
  ["run.speed", "m/s", /^rolls_\w+_speed_mps$/],
  ["run.force", "N", /tractive_force_n$/],
];
const MOST_IN_GROUP = 4;
const BINS = 900;
const STYLES = [["--absorbed", []], ["--inertia", [8, 4]], ["--ink-soft", [2, 3]], ["--good", [12, 3, 2, 3]]];

/** A column's name as a person would write it: without prefix and unit. */
export function columnName(name) {
  const bare = name.replace(/^(rolls|absorber|slow)_/, "").replace(/_(radps|mps2|mps|nm|n|w|a|s)$/, "");
  return naturalName(bare);
}

/** Columns of a run for each group: [title key, unit, names]. */
export function pickGroups(available) {
  const names = Object.keys(available);
  return GROUPS.map(([title, unit, pattern]) => [
    title, unit, names.filter((name) => available[name] === unit && pattern.test(name)).slice(0, MOST_IN_GROUP),
  ]).filter(([, , found]) => found.length);
}

const HEIGHT = 200;

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
    if (run.state === "recording" || run.state === "closing") {
      this.answer.replaceChildren(el("p", { text: t("run.soon") }));
      setTimeout(() => !this.gone && this.read(), 1500);
      return;
    }
    this.writeAnswer(run.result);
    this.writeDetails(run);
    const list = await get(`${path}/samples`);
    if (this.gone) return;
    const available = list.ok ? list.data.available ?? {} : {};
    const groups = pickGroups(available);
    if (!groups.length) {
      this.curves.append(el("p", { className: "soft", text: list.ok ? t("run.curves.none") : list.problem?.detail ?? t("run.curves.none") }));
      return;
    }
    for (const [title, unit, names] of groups) {
      const held = title === "run.rpm" && run.result?.set_rpm && "set_point" in available;
      await this.addChart(path, t(title), unit, held ? [...names, "set_point"] : names);
    }
    this.addChooser(path, available, groups.flatMap(([, , names]) => names));
  }

  addChooser(path, available, shownNames) {
    const rest = Object.keys(available).filter((name) => !shownNames.includes(name) && !name.endsWith("_quality")).sort();
    if (!rest.length || this.gone) return;
    const select = el("select", {}, el("option", { value: "", text: "…" }), rest.map((name) => el("option", { value: name, text: `${columnName(name)}${available[name] ? ` (${available[name]})` : ""}` })));
    const label = el("label", { className: "field more-curves" }, t("run.curves.more"), select);
    select.addEventListener("change", async () => {
      const name = select.value;
      if (!name) return;
      select.querySelector(`option[value="${CSS.escape(name)}"]`)?.remove();
      await this.addChart(path, columnName(name), available[name], [name]);
      this.curves.append(label);
    });
    this.curves.append(label);
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
      items.push(figure(t("run.power"), kw(result.mean_power_kw * 1000), num(result.std_power_kw) !== null ? `${t("run.std")} ${kw(result.std_power_kw * 1000)}` : ""));
    }
    if (num(result.mean_rpm) !== null) items.push(figure(t("run.rpm"), `${number(result.mean_rpm, 1)} rpm`, std === null ? "" : `${t("run.std")} ${number(std, 2)}`));
    if (num(result.mean_torque_nm) !== null) items.push(figure(t("run.torque"), withUnit("torque", result.mean_torque_nm), num(result.std_torque_nm) !== null ? `${t("run.std")} ${withUnit("torque", result.std_torque_nm)}` : ""));
    const share = num(result.in_tolerance);
    if (share !== null) items.push(figure(t("run.tolerance"), `${number(share * 100, 1)} %`, `${number(result.seconds, 1)} s, ± ${number(result.tolerance * 100, 1)} %`));
    if (result.reached === false) items.unshift(el("p", { className: "problem", text: t("run.notreached") }));
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

  async addChart(path, title, unit, names) {
    const answer = await get(`${path}/samples?points=${BINS}&columns=${encodeURIComponent(names.join(","))}`);
    if (!answer.ok || this.gone) return;
    const Plot = await loadPlot();
    if (this.gone) return;
    const { time_s: time, columns } = answer.data;
    const quantity = quantityOf(unit);
    const shownUnit = quantity === "plain" ? unit : unitOf(quantity);
    const style = getComputedStyle(this.node);
    const colour = (name) => style.getPropertyValue(name).trim();
    const font = `500 13px ${style.fontFamily}`;
    const turn = (values) => values.map((value) => (value === null ? null : toShown(quantity, value)));
    const data = [time];
    const series = [{ label: t("run.time"), value: (_, value) => (value === null ? DASH : `${number(value, 2)} s`) }];
    const bands = [];
    names.forEach((name, index) => {
      const [token, dash] = STYLES[index % STYLES.length];
      const stroke = colour(token);
      const label = names.length > 1 ? columnName(name) : shownUnit;
      data.push(turn(columns[name].greatest), turn(columns[name].least));
      const shared = { stroke, width: 1.5, dash, points: { show: false } };
      const digits = Math.abs(data.at(-1).find((value) => value !== null) ?? 0) < 10 ? 2 : 1;
      series.push({ ...shared, label, value: (_, value) => (value === null ? DASH : number(value, digits)) });
      series.push({ ...shared, label: `${label} ${t("run.least")}`, value: (_, value) => (value === null ? DASH : number(value, digits)) });
      bands.push({ series: [index * 2 + 1, index * 2 + 2], fill: `${stroke}40` });
    });
    const holder = el("figure", { className: "curve" }, el("figcaption", { text: `${title}, ${shownUnit}` }));
    this.curves.append(holder);
    const axis = { stroke: colour("--ink-soft"), font, grid: { stroke: colour("--line"), width: 1 }, ticks: { show: false } };
    const plot = new Plot(
      {
        width: Math.max(200, holder.clientWidth),
        height: HEIGHT,
        cursor: { sync: { key: "run" }, drag: { x: true, y: false } },
        scales: { x: { time: false } },
        axes: [
          { ...axis, values: (_, ticks) => ticks.map((tick) => clockTime(tick)) },
          { ...axis, size: 64, values: (_, ticks) => ticks.map((tick) => number(tick, Number.isInteger(tick) ? 0 : 2)) },
        ],
        series,
        bands,
      },
      data,
      holder,
    );
    plot.root.querySelector(".u-wrap").setAttribute("role", "img");
    plot.root.querySelector(".u-wrap").setAttribute("aria-label", t("run.curves.alt", { what: title }));
    this.plots.push([plot, holder]);
  }

  fit() {
    for (const [plot, holder] of this.plots) plot.setSize({ width: Math.max(200, holder.clientWidth), height: HEIGHT });
  }

  leave() {
    this.gone = true;
    this.resized.disconnect();
    for (const [plot] of this.plots) plot.destroy();
  }
}

