// One run: the answer first, then curves with their bands, flags where they happened, why the answer
// is that sure, what was measured under which conditions. Figures come from the stored result.

import { get, post, put } from "../api.js";
import { answerOf } from "../components/answer.js";
import { Chart } from "../components/chart.js";
import { exportLinks } from "../components/export-links.js";
import { evaluationsCard } from "../components/evaluations.js";
import { note, noteAnswer } from "../components/notes.js";
import { runTimeline } from "../components/timeline.js";
import { el, setText } from "../dom.js";
import { told, toldAll } from "../messages.js";
import { settings } from "../settings.js";
import { naturalName, t, tOr } from "../texts.js";
import { clockTime, dateTime, number, quantityOf, toShown, unitOf, withUnit } from "../units.js";
import { labelOf } from "../words.js";
import { runSeconds, runState } from "./runs.js";

// groups of recorded channels over time: a title and which columns of the run belong to it
/** @type {[string, string, RegExp][]} */
const GROUPS = [
  ["run.rpm", "rad/s", /^engine_speed/],
  ["run.power", "W", /power_w$/],
  ["run.speed", "m/s", /^rolls_\w+_speed_mps$/],
  ["run.force", "N", /tractive_force_n$/],
  ["run.temperatures", "K", /^slow_/],
  ["run.pressures", "Pa", /^slow_/],
];
const MOST_IN_GROUP = 4;
const BINS = 900;

/** A column's name as a person would write it: without prefix and unit. */
export function columnName(name) {
  const bare = name.replace(/^(rolls|absorber|slow)_/, "").replace(/_(radps|mps2|mps|nm|n|w|a|s)$/, "");
  return naturalName(bare);
}

/** Columns of a run for each group: [title key, unit, names]. */
export function pickGroups(available) {
  const names = Object.keys(available);
  const groups = GROUPS.map(([title, unit, pattern]) => ({
    title,
    unit,
    found: names.filter((name) => available[name] === unit && pattern.test(name)).slice(0, MOST_IN_GROUP),
  }));
  return groups.filter((group) => group.found.length);
}

export default class RunView {
  constructor({ id, store }) {
    this.id = id;
    this.store = store;
    this.title = el("h1", { text: id });
    this.sub = el("p", { className: "soft" });
    this.tools = el("div", { className: "run-tools" });
    this.answer = el("section", { className: "card answer" });
    this.flagged = el("section", { className: "card hidden" });
    this.curves = el("section", { className: "card curves" });
    this.left = el("div", {});
    this.right = el("div", {});
    this.charts = [];
    this.node = el(
      "div",
      { className: "run-page" },
      el(
        "div",
        { className: "run-head" },
        el("a", { className: "button", href: "#/runs", text: `← ${t("back")}` }),
        el("div", {}, this.title, this.sub),
        this.tools,
      ),
      this.answer,
      this.flagged,
      this.curves,
      el("div", { className: "run-columns" }, this.left, this.right),
    );
    this.read();
  }

  get path() {
    return `/api/runs/${encodeURIComponent(this.id)}`;
  }

  async read() {
    const answer = await get(this.path);
    if (this.gone) return;
    if (!answer.ok) {
      setText(this.sub, answer.status === 404 ? t("run.notfound") : (answer.problem?.detail ?? t("runs.failed")));
      for (const part of [this.answer, this.flagged, this.curves, this.left, this.right]) part.remove();
      return;
    }
    const run = answer.data;
    setText(this.title, `${tOr(`test.${run.kind}`, run.kind)}${run.vehicle ? ` · ${run.vehicle}` : ""}`);
    setText(
      this.sub,
      `${dateTime(run.started_at)} · ${clockTime(runSeconds(run))} · ${runState(run, run.result?.valid)} · ${run.id}`,
    );
    if (run.state === "recording" || run.state === "closing") {
      this.answer.replaceChildren(el("p", { text: t("run.soon") }));
      setTimeout(() => !this.gone && this.read(), 1500);
      return;
    }
    this.run = run;
    await this.showResult();
  }

  /** Show the newest evaluation, or the one of that number. */
  async showResult(number = null) {
    const { run } = this;
    const whole = await get(`${this.path}/result${number ? `?number=${number}` : ""}`);
    if (this.gone) return;
    const result = whole.ok ? whole.data : run.result;
    for (const chart of this.charts.splice(0)) chart.destroy();
    for (const part of [this.left, this.right, this.curves]) part.replaceChildren();
    this.writeTools(number);
    this.writeAnswer(result);
    this.flags = (result?.flags ?? []).map((flag, index) => ({ ...flag, number: index + 1 }));
    this.writeFlags();
    this.writeRun(run);
    this.right.append(
      evaluationsCard(this.path, result?.made, this.store.role !== "watch", (wanted) => {
        /** @type {HTMLElement} */ (document.getElementById("main")).scrollTop = 0;
        this.showResult(wanted);
      }),
    );
    this.writeWhy(result);
    this.writeChannelTable(result?.channels ?? []);
    this.writeConditions(run, result);
    await this.writeTimeline();
    await this.writeCurves(result?.curves ?? []);
    await this.writeChannels();
  }

  async writeTimeline() {
    const card = await runTimeline(this.path);
    if (card && !this.gone) this.left.append(card);
  }

  writeTools(number) {
    const link = (form, path) =>
      el("a", { className: "button", href: `${this.path}/${path}`, target: "_blank", rel: "noopener", text: form });
    const which = `&${settings.asRead}${number ? `&number=${number}` : ""}`;
    this.tools.replaceChildren(
      link(t("run.report"), `report?form=html${which}`),
      link("PDF", `report?form=pdf${which}`),
      exportLinks(this.path, number),
    );
  }

  writeAnswer(result) {
    this.answer.dataset.valid = result?.figures && !result.valid ? "no" : "yes";
    this.answer.replaceChildren(...answerOf(result));
  }

  writeFlags() {
    this.flagged.classList.toggle("hidden", !this.flags.length);
    if (!this.flags.length) return;
    const where = (flag) => {
      if (flag.from_s === null || flag.from_s === undefined) return "";
      const lasts = flag.to_s && flag.to_s - flag.from_s > 1;
      return ` · ${clockTime(flag.from_s)}${lasts ? `–${clockTime(flag.to_s)}` : ""}`;
    };
    this.flagged.replaceChildren(
      el("h2", { text: t("run.flags") }),
      el(
        "ol",
        { className: "flags" },
        this.flags.map((flag) =>
          el(
            "li",
            { "data-voids": flag.voids ? "yes" : null },
            el("span", { className: "flag-number", text: String(flag.number) }),
            el(
              "span",
              {},
              told(flag, "text"),
              el("span", { className: "soft figure", text: where(flag) }),
              flag.voids ? el("b", { text: ` · ${t("run.voids")}` }) : null,
            ),
          ),
        ),
      ),
    );
  }

  async writeCurves(curves) {
    if (!curves.length) return;
    this.curves.append(el("h2", { text: t("run.curves") }));
    // one chart per unit, the curves of one axis together
    const groups = new Map();
    for (const curve of curves) {
      const key = `${curve.unit}|${curve.x_unit}|${curve.x_name}|${curve.x.length}`;
      groups.set(key, [...(groups.get(key) ?? []), curve]);
    }
    for (const group of groups.values()) {
      const [first] = group;
      await this.addChart({
        title: group.length > 1 ? labelOf(first.label.split(",")[0]) : labelOf(first.label),
        unit: first.unit,
        x: first.x,
        xUnit: first.x_unit === "s" && first.x_name === "time" ? "clock" : first.x_unit,
        xTitle: labelOf(first.x_name),
        series: group.map((curve) => ({
          label: labelOf(curve.label),
          value: curve.value,
          low: curve.low,
          high: curve.high,
          marks: curve.marks,
        })),
        flags: this.flags
          .filter((flag) => (first.x_name === "time" ? flag.from_s !== null : flag.x !== null))
          .map((flag) =>
            first.x_name === "time" ? { ...flag, x: undefined, from: flag.from_s, to: flag.to_s } : flag,
          ),
        zero: first.unit === "W" || first.unit === "N.m",
        height: 300,
      });
    }
  }

  async addChart(options, before = null) {
    if (this.gone) return;
    const chart = new Chart(options);
    this.charts.push(chart);
    this.curves.insertBefore(chart.node, before);
    await chart.draw();
  }

  async writeChannels() {
    const list = await get(`${this.path}/samples`);
    if (this.gone) return;
    const available = list.ok ? (list.data.available ?? {}) : {};
    const groups = pickGroups(available);
    this.curves.append(el("h2", { text: t("run.channels") }));
    if (!groups.length) {
      this.curves.append(
        el("p", {
          className: "soft",
          text: list.ok ? t("run.curves.none") : (list.problem?.detail ?? t("run.curves.none")),
        }),
      );
      return;
    }
    for (const { title, unit, found } of groups) await this.addChannels(t(title), unit, found);
    this.addChooser(
      available,
      groups.flatMap((group) => group.found),
    );
  }

  /** Recorded columns over time: middle of each bin as the line, least to greatest as its band. */
  async addChannels(title, unit, names, before = null) {
    const answer = await get(`${this.path}/samples?points=${BINS}&columns=${encodeURIComponent(names.join(","))}`);
    if (!answer.ok || this.gone) return;
    const { time_s: time, columns } = answer.data;
    const middle = ({ least, greatest }) =>
      least.map((low, index) => (low === null || greatest[index] === null ? null : (low + greatest[index]) / 2));
    await this.addChart(
      {
        title,
        unit,
        x: time,
        xUnit: "clock",
        xTitle: t("run.time"),
        sync: "run",
        height: 200,
        series: names.map((name) => ({
          label: columnName(name),
          value: middle(columns[name]),
          low: columns[name].least,
          high: columns[name].greatest,
        })),
        flags: this.flags
          .filter((flag) => flag.from_s !== null && flag.from_s !== undefined)
          .map((flag) => ({ ...flag, x: undefined, from: flag.from_s, to: flag.to_s })),
      },
      before,
    );
  }

  addChooser(available, shownNames) {
    const rest = Object.keys(available)
      .filter((name) => !shownNames.includes(name) && !name.endsWith("_quality"))
      .sort();
    if (!rest.length || this.gone) return;
    const select = el(
      "select",
      {},
      el("option", { value: "", text: "…" }),
      rest.map((name) =>
        el("option", { value: name, text: `${columnName(name)}${available[name] ? ` (${available[name]})` : ""}` }),
      ),
    );
    const label = el("label", { className: "field more-curves" }, t("run.curves.more"), select);
    select.addEventListener("change", async () => {
      const name = select.value;
      if (!name) return;
      select.querySelector(`option[value="${CSS.escape(name)}"]`)?.remove();
      await this.addChannels(columnName(name), available[name], [name], label);
    });
    this.curves.append(label);
  }

  /** Tags and notes: the only things about a run that a person may add; and its end. */
  writeRun(run) {
    const may = this.store.role !== "watch";
    const tags = el("div", { className: "tags" });
    const notes = el("ul", { className: "tokens" });
    let names = [...run.tags];
    const showTags = () =>
      tags.replaceChildren(
        ...(names.length
          ? names.map((name) => el("span", { className: "tag", text: name }))
          : [el("span", { className: "soft", text: t("run.notags") })]),
      );
    const showNotes = () =>
      notes.replaceChildren(
        ...run.notes.map((one) =>
          el(
            "li",
            {},
            el(
              "span",
              { className: "grow" },
              one.text,
              el("br", {}),
              el("span", { className: "soft", text: `${one.who} · ${dateTime(one.at)}` }),
            ),
          ),
        ),
      );
    showTags();
    showNotes();
    const tag = el("input", { type: "text", maxlength: "200", value: names.join(", "), autocomplete: "off" });
    const text = el("input", { type: "text", maxlength: "400", autocomplete: "off" });
    const keepTags = async () => {
      const wanted = [
        ...new Set(
          tag.value
            .split(",")
            .map((one) => one.trim())
            .filter(Boolean),
        ),
      ];
      const done = await put(`${this.path}/tags`, { tags: wanted });
      if (!noteAnswer(done)) return;
      names = done.data.tags;
      showTags();
      note(t("run.kept"));
    };
    const keepNote = async () => {
      if (!text.value.trim()) return;
      const done = await post(`${this.path}/notes`, { text: text.value.trim() });
      if (!noteAnswer(done)) return;
      run.notes = [...run.notes, done.data];
      text.value = "";
      showNotes();
    };
    this.right.append(
      el(
        "section",
        { className: "card" },
        el("h2", { text: t("run.tags") }),
        tags,
        may
          ? el(
              "div",
              { className: "add-line" },
              el("label", { className: "field" }, t("run.tags.hint"), tag),
              el("button", { type: "button", text: t("keep"), onclick: keepTags }),
            )
          : null,
        el("h2", { className: "spaced", text: t("run.notes") }),
        notes,
        may
          ? el(
              "div",
              { className: "add-line" },
              el("label", { className: "field" }, t("run.note"), text),
              el("button", { type: "button", text: t("add"), onclick: keepNote }),
            )
          : null,
        this.deletion(),
      ),
    );
  }

  /** Away for good, by somebody who maintains and says who they are and why. */
  deletion() {
    if (this.store.role !== "maintain") return null;
    const name = el("input", { type: "text", maxlength: "80", autocomplete: "name" });
    const reason = el("input", { type: "text", maxlength: "500", autocomplete: "off" });
    const remove = async () => {
      if (!noteAnswer(await post(`${this.path}/delete`, { name: name.value.trim(), reason: reason.value.trim() })))
        return;
      location.hash = "#/runs";
    };
    return el(
      "details",
      { className: "spaced" },
      el("summary", { text: t("run.delete") }),
      el("p", { className: "soft", text: t("run.delete.hint") }),
      el("label", { className: "field" }, t("run.delete.name"), name),
      el("label", { className: "field" }, t("run.delete.reason"), reason),
      el("button", { type: "button", className: "danger", text: t("run.delete.do"), onclick: remove }),
    );
  }

  /** Why the main figure is that sure: its parts, largest first. */
  writeWhy(result) {
    const why = result?.uncertainty;
    if (why) {
      const quantity = quantityOf(why.unit);
      const unit = unitOf(quantity) || why.unit;
      const slope = toShown(quantity, 1) - toShown(quantity, 0);
      const largest = Math.max(...why.parts.map((part) => Math.abs(part.effect)), why.noise_sigma ?? 0, 1e-12);
      const row = (name, effect) => {
        const bar = el("i", {});
        bar.style.width = `${(Math.abs(effect) / largest) * 100}%`;
        return el(
          "div",
          { className: "part-row" },
          el("span", { text: name }),
          el("b", { className: "figure", text: `${number(Math.abs(effect) * slope, 2)} ${unit}` }),
          el("span", { className: "part-track" }, bar),
        );
      };
      this.left.append(
        el(
          "section",
          { className: "card" },
          el("h2", { text: t("run.why") }),
          el("p", {
            className: "soft",
            text: t("run.why.lead", {
              half: `${number(why.half_width * slope, 2)} ${unit}`,
              level: number(why.level * 100),
            }),
          }),
          el(
            "div",
            { className: "parts" },
            why.parts.slice(0, 7).map((part) => row(labelOf(part.name), part.effect)),
            why.noise_sigma ? row(t("run.noise"), why.noise_sigma) : null,
          ),
        ),
      );
    }
    if (result?.table?.length) {
      const names = Object.keys(result.table[0]);
      const cell = (value) =>
        typeof value === "number"
          ? number(value, Math.abs(value) < 10 ? 2 : 1)
          : typeof value === "boolean"
            ? t(value ? "yes" : "no")
            : String(value ?? "–");
      this.left.append(
        el(
          "section",
          { className: "card" },
          el("h2", { text: t("run.table") }),
          el(
            "div",
            { className: "scroll-x", tabindex: "0" },
            el(
              "table",
              {},
              el(
                "thead",
                {},
                el(
                  "tr",
                  {},
                  names.map((name) => el("th", { scope: "col", text: naturalName(name) })),
                ),
              ),
              el(
                "tbody",
                {},
                result.table.map((row) =>
                  el(
                    "tr",
                    {},
                    names.map((name) => el("td", { className: "figure", text: cell(row[name]) })),
                  ),
                ),
              ),
            ),
          ),
        ),
      );
    }
  }

  /** The rig's own channels over the evaluated part; their course stands among the curves. */
  writeChannelTable(channels) {
    if (!channels.length) return;
    const keys = ["start", "end", "mean", "least", "greatest"];
    const row = (one) => {
      const quantity = quantityOf(one.unit);
      const slope = one.slope_per_s === null ? null : 60 * (toShown(quantity, one.slope_per_s) - toShown(quantity, 0));
      return el(
        "tr",
        {},
        el("th", { scope: "row", text: `${naturalName(one.name)}, ${unitOf(quantity)}` }),
        keys.map((key) =>
          el("td", { className: "figure", text: number(one[key] === null ? null : toShown(quantity, one[key]), 1) }),
        ),
        el("td", { className: "figure", text: number(slope, 1, true) }),
      );
    };
    const head = ["channel", ...keys, "slope"].map((key) => el("th", { scope: "col", text: t(`run.channel.${key}`) }));
    this.left.append(
      el(
        "section",
        { className: "card" },
        el("h2", { text: t("run.channel.title") }),
        el(
          "div",
          { className: "scroll-x", tabindex: "0" },
          el("table", {}, el("thead", {}, el("tr", {}, head)), el("tbody", {}, channels.map(row))),
        ),
      ),
    );
  }

  writeConditions(run, result) {
    const measured = Object.entries(result?.conditions ?? {}).map(([name, value]) => {
      const ending = /_(k|pa)$/.exec(name);
      const shown =
        name === "relative_humidity" || name === "humidity"
          ? withUnit("ratio", value)
          : ending
            ? withUnit(ending[1] === "k" ? "temperature" : "pressure", value, 1)
            : number(value, 2);
      return [tOr(`condition.${name}`, naturalName(name.replace(/_(k|pa)$/, ""))), shown];
    });
    const rows = [
      [t("run.vehicle"), run.vehicle],
      [t("rig.description"), run.rig_name],
      [t("run.ended"), told(run, "reason")],
      ...measured,
    ].filter(([, value]) => value);
    this.left.append(
      el(
        "section",
        { className: "card" },
        el("h2", { text: t("run.details") }),
        el(
          "table",
          { className: "pairs" },
          el(
            "tbody",
            {},
            rows.map(([name, value]) =>
              el("tr", {}, el("th", { scope: "row", text: name }), el("td", { text: value })),
            ),
          ),
        ),
        ...toldAll(result, "limits").map((text) => el("p", { className: "soft", text })),
        ...toldAll(result, "cautions").map((text) => el("p", { className: "soft", text })),
      ),
    );
  }

  leave() {
    this.gone = true;
    for (const chart of this.charts) chart.destroy();
  }
}
