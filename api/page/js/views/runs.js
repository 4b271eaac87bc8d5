// The runs stored here, newest first, each a large line to touch; found by words, kind and tag; some
// chosen to lie over each other or to be compared before against after.

import { get, put } from "../api.js";
import { note as tell, noteAnswer } from "../components/notes.js";
import { closeSheet, openSheet } from "../components/sheet.js";
import { runsNav } from "../components/subnav.js";
import { el, setText, show } from "../dom.js";
import { KINDS } from "../kinds/index.js";
import { told } from "../messages.js";
import { t, tOr } from "../texts.js";
import { clockTime, dateTime } from "../units.js";

const TYPING_MS = 250;
const MOST_OVER = 6; // curves over each other that can still be told apart
const asked = { q: "", kind: "", tag: "" }; // kept while the page is open

/** Seconds between two labels, NaN when one is missing. */
export function runSeconds(run) {
  return (Date.parse(run.ended_at) - Date.parse(run.started_at)) / 1000;
}

/** Whether its answer counts, as a word and a mark for the style: of a stored run only. */
export function verdict(run, valid = run.valid) {
  if (run.state !== "closed") return ["", run.state];
  if (typeof valid !== "boolean") return [t("run.unjudged"), "unjudged"];
  return valid ? [t("run.counts"), "valid"] : [t("run.counts.not"), "void"];
}

export function runState(run, valid = run.valid) {
  const [word] = verdict(run, valid);
  return tOr(`run.state.${run.state}`, run.state) + (word && `, ${word}`);
}

export default class RunsView {
  constructor({ id, store }) {
    if (id) Object.assign(asked, { q: id, kind: "", tag: "" });
    this.picked = new Set();
    this.list = el("ul", { className: "runs" });
    this.note = el("p", { className: "soft", role: "status" });
    this.retry = el("button", { type: "button", text: t("runs.retry"), onclick: () => this.read() });
    this.more = el("button", {
      type: "button",
      className: "hidden",
      text: t("runs.more"),
      onclick: () => this.read(this.next),
    });
    const words = el("input", { type: "search", value: asked.q, autocomplete: "off", id: "runs-q" });
    const kind = el(
      "select",
      { id: "runs-kind" },
      el("option", { value: "", text: t("runs.any") }),
      Object.keys(KINDS).map((name) => el("option", { value: name, text: t(`test.${name}`) })),
    );
    const tag = el("input", { type: "text", value: asked.tag, autocomplete: "off", id: "runs-tag" });
    kind.value = asked.kind;
    let timer = 0;
    const typed = () => {
      clearTimeout(timer);
      timer = setTimeout(() => {
        Object.assign(asked, { q: words.value.trim(), kind: kind.value, tag: tag.value.trim() });
        this.read();
      }, TYPING_MS);
    };
    for (const input of [words, tag]) input.addEventListener("input", typed);
    kind.addEventListener("change", typed);
    this.count = el("b", {});
    this.over = el("a", { className: "button", text: t("runs.overlay") });
    this.bar = el(
      "div",
      { className: "picked hidden" },
      this.count,
      el("span", { className: "grow" }),
      this.over,
      store.role === "watch"
        ? null
        : el("button", { type: "button", text: t("runs.keepset"), onclick: () => this.keepSet() }),
      el("button", { type: "button", text: t("runs.unpick"), onclick: () => this.unpick() }),
    );
    this.node = el(
      "div",
      { className: "runs-page" },
      runsNav("runs"),
      el("h1", { className: "unseen", text: t("runs.title") }),
      el(
        "div",
        { className: "runs-search" },
        el("label", { className: "field" }, t("runs.words"), words),
        el("label", { className: "field" }, t("runs.kind"), kind),
        el("label", { className: "field" }, t("runs.tag"), tag),
      ),
      this.list,
      el("div", { className: "runs-foot" }, this.note, this.retry, this.more),
      this.bar,
    );
    this.read();
  }

  async read(before = "") {
    this.turn = (this.turn ?? 0) + 1;
    const { turn } = this;
    setText(this.note, "");
    show(this.retry, false);
    const query = new URLSearchParams(Object.entries({ ...asked, before }).filter(([, value]) => value));
    const answer = await get(`/api/runs?${query}`);
    if (turn !== this.turn) return;
    const runs = answer.ok ? answer.data.runs : null;
    if (!runs) {
      setText(this.note, `${t("runs.failed")} ${answer.problem?.detail ?? ""}`);
      show(this.retry, true);
      return;
    }
    this.next = answer.data.next;
    show(this.more, Boolean(this.next));
    const searching = Object.values(asked).some(Boolean);
    if (!runs.length && !before)
      setText(this.note, searching ? t("runs.nothing") : `${t("runs.none")} ${t("runs.none.note")}`);
    const lines = runs.map((run) => this.line(run));
    if (before) this.list.append(...lines);
    else this.list.replaceChildren(...lines);
  }

  line(run) {
    const pick = el("input", { type: "checkbox", "aria-label": t("runs.pick", { id: run.id }) });
    pick.checked = this.picked.has(run.id);
    pick.addEventListener("change", () => {
      this.picked[pick.checked ? "add" : "delete"](run.id);
      this.writeBar();
    });
    return el(
      "li",
      { className: "run-item" },
      el("label", { className: "run-pick" }, pick),
      el(
        "a",
        { className: "run-line card", href: `#/runs/${encodeURIComponent(run.id)}` },
        el(
          "span",
          { className: "run-when" },
          el("b", { text: dateTime(run.started_at) }),
          el("span", { className: "soft figure", text: run.id }),
        ),
        el(
          "span",
          { className: "run-what" },
          el("b", { text: tOr(`test.${run.kind}`, run.kind) }),
          el(
            "span",
            { className: "soft" },
            run.vehicle || "",
            ...run.tags.map((name) => el("span", { className: "tag run-tag", text: name })),
          ),
          run.answer ? el("span", { className: "run-answer", text: told(run, "answer") }) : null,
          run.reason ? el("span", { className: "soft run-reason", text: told(run, "reason") }) : null,
        ),
        el("span", { className: "figure run-length", text: clockTime(runSeconds(run)) }),
        el("span", { className: "run-state", "data-state": verdict(run)[1], text: runState(run) }),
      ),
    );
  }

  writeBar() {
    show(this.bar, this.picked.size > 0);
    setText(this.count, t("runs.picked", { n: this.picked.size }));
    show(this.over, this.picked.size <= MOST_OVER);
    this.over.setAttribute("href", `#/overlay/${[...this.picked].sort().join(",")}`);
  }

  unpick() {
    this.picked.clear();
    for (const box of this.list.querySelectorAll("input:checked")) box.checked = false;
    this.writeBar();
  }

  /** Keep the chosen runs under a name: the check runs of the consistency chart, for example. */
  async keepSet() {
    const known = await get("/api/sets");
    const name = el("input", {
      type: "text",
      maxlength: "80",
      autocomplete: "off",
      list: "known-sets",
      id: "set-name",
    });
    const names = el(
      "datalist",
      { id: "known-sets" },
      (known.ok ? known.data.sets : []).map((one) => el("option", { value: one.name })),
    );
    const keep = el("button", {
      type: "button",
      className: "lead",
      text: t("keep"),
      onclick: async () => {
        const wanted = name.value.trim();
        const before = (known.ok ? known.data.sets : []).find((one) => one.name === wanted)?.runs ?? [];
        if (
          noteAnswer(await put("/api/sets", { name: wanted, runs: [...new Set([...before, ...this.picked])].sort() }))
        ) {
          closeSheet();
          tell(t("runs.setkept", { name: wanted }));
          this.unpick();
        }
      },
    });
    openSheet({
      title: t("runs.keepset"),
      body: [
        el("p", { className: "soft", text: t("runs.set.lead") }),
        el("label", { className: "field" }, t("runs.set.name"), name),
        names,
        el("div", { className: "sheet-foot" }, keep),
      ],
    });
  }
}
