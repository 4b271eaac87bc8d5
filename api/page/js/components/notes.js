// Short notes above the dock, and a quiet voice for screen readers. A note about a failure stays
// until it is closed; one about a success goes by itself. Numbers are never announced.

import { el, mark, setText } from "../dom.js";
import { t } from "../texts.js";

const STAY_MS = 4000;
const voice = el("div", { className: "unseen", role: "status", "aria-live": "polite" });
const alarm = el("div", { className: "unseen", role: "alert" });
const stack = el("div", { className: "notes" });

export function notesArea() {
  return [voice, alarm, stack];
}

export function say(text, urgent = false) {
  setText(urgent ? alarm : voice, text);
}

/** Show a note; `bad` ones stay. */
export function note(text, { bad = false, remedy = "" } = {}) {
  for (const old of stack.children) if (old.dataset.text === text) old.remove();
  const close = el("button", { type: "button", className: "bare", "aria-label": t("close") }, mark("off"));
  const box = el(
    "div",
    { className: bad ? "note bad" : "note", "data-text": text },
    mark(bad ? "caution" : "done"),
    el("div", { className: "grow" }, el("strong", { text }), remedy ? el("p", { text: remedy }) : null),
    close,
  );
  close.addEventListener("click", () => box.remove());
  stack.append(box);
  while (stack.children.length > 3) stack.firstChild.remove();
  if (!bad) setTimeout(() => box.remove(), STAY_MS);
  say(remedy ? `${text} ${remedy}` : text, bad);
}

/** Show why an answer was not a yes. Nothing for a yes. */
export function noteAnswer(answer) {
  if (answer.ok) return true;
  if (answer.status === 0) note(t("answer.silent"), { bad: true });
  else {
    const problem = answer.problem ?? {};
    note(problem.detail || problem.title || `${t("answer.refused")} (${answer.status})`, {
      bad: true,
      remedy: problem.remedy ?? "",
    });
  }
  return false;
}
