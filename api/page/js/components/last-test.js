// How the last test ended, where it stood: why, since when, what to do next; then its result and the
// ways on. It goes when the next test begins, or when a person lays it aside.

import { get, post, put } from "../api.js";
import { el, mark, setAttr, setText, show } from "../dom.js";
import { told, toldAll } from "../messages.js";
import { settings } from "../settings.js";
import { t, tOr } from "../texts.js";
import { labelOf } from "../words.js";
import { answerOf } from "./answer.js";
import { noteAnswer } from "./notes.js";

const READ_AGAIN_MS = 1000;
let laidAside = ""; // run id

const lasting = (run) => run.state === "recording" || run.state === "closing";

export class LastTest {
  constructor(store) {
    this.store = store;
    this.runId = "";
    this.shape = mark("done");
    this.title = el("h2", {});
    this.why = el("p", { className: "last-why" });
    this.remedy = el("p", {});
    this.answer = el("div", { className: "answer" });
    this.curve = el("div", {});
    this.ways = el("div", { className: "run-tools" });
    this.discarding = el("div", { className: "add-line hidden" });
    this.node = el(
      "section",
      { className: "card last-test hidden", "aria-labelledby": "last-test-title" },
      el("header", {}, this.shape, this.title, this.ways),
      this.discarding,
      this.why,
      this.remedy,
      this.answer,
      this.curve,
    );
    this.title.id = "last-test-title";
  }

  get path() {
    return `/api/runs/${encodeURIComponent(this.runId)}`;
  }

  write() {
    const { telemetry } = this.store;
    const end = telemetry?.test ? null : telemetry?.last_end;
    const wanted = end && end.run_id !== laidAside ? end : null;
    show(this.node, Boolean(wanted));
    if (!wanted) {
      this.runId = "";
      return;
    }
    const completed = wanted.code === "completed";
    const tripped = telemetry.state === "tripped";
    this.shape.become(tripped ? "tripped" : completed && !wanted.voids.length ? "done" : "caution");
    setAttr(this.node, "data-how", tripped ? "tripped" : completed ? "completed" : "early");
    const kind = tOr(`test.${wanted.kind}`, wanted.kind);
    setText(this.title, t(completed ? "last.completed" : "last.early", { kind }));
    setText(
      this.why,
      [completed ? "" : told(wanted, "text"), ...toldAll(wanted, "voids").map((why) => t("test.void", { why }))]
        .filter(Boolean)
        .join(" "),
    );
    show(this.why, this.why.textContent !== "");
    setText(this.remedy, told(wanted, "remedy"));
    show(this.remedy, wanted.remedy !== "");
    if (wanted.run_id !== this.runId) {
      this.runId = wanted.run_id;
      this.answer.replaceChildren(el("p", { className: "soft", text: t("run.soon") }));
      this.clear();
      this.writeWays(wanted);
      this.read(this.runId);
    }
  }

  clear() {
    this.chart?.destroy();
    this.chart = null;
    this.curve.replaceChildren();
    show(this.discarding, false);
  }

  leave() {
    this.gone = true;
    this.chart?.destroy();
  }

  writeWays(end) {
    const link = (text, href, more = {}) => el("a", { className: "button", href, text, ...more });
    const watching = this.store.role === "watch";
    this.compare = link(t("last.compare"), "#/runs");
    show(this.compare, false);
    this.ways.replaceChildren(
      link(t("last.look"), `#/runs/${encodeURIComponent(end.run_id)}`),
      ...(watching ? [] : [link(t("last.repeat"), "#/tests")]),
      this.compare,
      link(t("last.print"), `${this.path}/report?form=html&${settings.asRead}`, { target: "_blank", rel: "noopener" }),
      ...(watching ? [] : [el("button", { type: "button", text: t("last.discard"), onclick: () => this.askWhy() })]),
      el("button", { type: "button", text: t("last.keep"), onclick: () => this.layAside() }),
    );
  }

  layAside() {
    laidAside = this.runId;
    this.write();
  }

  /** A run is never deleted here: it gets a note and a tag, and comparisons leave it out by eye. */
  askWhy() {
    const why = el("input", { type: "text", maxlength: "400", autocomplete: "off" });
    const discard = async () => {
      const text = why.value.trim();
      if (!text) {
        why.focus();
        return;
      }
      const run = await get(this.path);
      if (!noteAnswer(run)) return;
      const tags = [...new Set([...run.data.tags, "discarded"])];
      if (!noteAnswer(await post(`${this.path}/notes`, { text: t("last.discarded", { why: text }) }))) return;
      if (noteAnswer(await put(`${this.path}/tags`, { tags }))) this.layAside();
    };
    this.discarding.replaceChildren(
      el("label", { className: "field" }, t("last.discard.why"), why),
      el("button", { type: "button", text: t("last.discard"), onclick: discard }),
    );
    show(this.discarding, true);
    why.focus();
  }

  /** The result, once the run is closed and evaluated. */
  async read(runId) {
    const run = await get(this.path);
    if (this.gone || runId !== this.runId) return;
    if (!run.ok || lasting(run.data)) {
      setTimeout(() => !this.gone && runId === this.runId && this.read(runId), READ_AGAIN_MS);
      return;
    }
    const whole = await get(`${this.path}/result`);
    if (this.gone || runId !== this.runId) return;
    const result = whole.ok ? whole.data : run.data.result;
    this.answer.dataset.valid = result?.figures && !result.valid ? "no" : "yes";
    this.answer.replaceChildren(...answerOf(result));
    this.offerCompare(run.data);
    await this.draw(result);
  }

  async offerCompare(run) {
    const others = await get(`/api/runs?kind=${encodeURIComponent(run.kind)}`);
    if (this.gone || run.id !== this.runId || !others.ok) return;
    const before = others.data.runs.find(
      (one) => one.id !== run.id && one.vehicle === run.vehicle && !one.tags.includes("discarded"),
    );
    if (before) this.compare.setAttribute("href", `#/overlay/${before.id},${run.id}`);
    show(this.compare, Boolean(before));
  }

  async draw(result) {
    const curves = result?.curves ?? [];
    const curve = curves.find((one) => one.name === "power") ?? curves[0];
    if (!curve) return;
    const { Chart } = await import("./chart.js");
    if (this.gone) return;
    const label = labelOf(curve.label);
    this.chart = new Chart({
      title: label,
      unit: curve.unit,
      x: curve.x,
      xUnit: curve.x_unit === "s" && curve.x_name === "time" ? "clock" : curve.x_unit,
      xTitle: labelOf(curve.x_name),
      series: [{ label, value: curve.value, low: curve.low, high: curve.high, marks: curve.marks }],
    });
    this.curve.replaceChildren(this.chart.node);
    await this.chart.draw();
  }
}
