// Limits on the rig's own channels while a test runs: a channel, a side, a value, what happens then.
// What is typed stays for whichever test comes next; the rig checks every limit again at the start.

import { el } from "../dom.js";
import { words } from "../kinds/index.js";
import { naturalName, t } from "../texts.js";
import { quantityOf, unitOf } from "../units.js";

const MOST = 24;

const choice = (limit, name, label, options, changed) => {
  const select = el(
    "select",
    { "aria-label": label },
    options.map(([value, text]) => el("option", { value, text })),
  );
  select.value = limit[name];
  select.addEventListener("change", () => {
    limit[name] = select.value;
    changed();
  });
  return select;
};

/** `slow`: readings by channel name, as telemetry has them. */
export function limitsField(slow, changed) {
  const list = el("div", { className: "limit-rows" });
  const names = Object.keys(slow);
  const write = () => {
    list.replaceChildren(...words.limits.map(row));
    changed();
  };
  const row = (limit) => {
    const unit = el("span", { className: "unit", text: unitOf(quantityOf(limit.unit)) });
    const channel = choice(
      limit,
      "channel",
      t("plan.limits.channel"),
      names.map((name) => [name, naturalName(name)]),
      () => {
        limit.unit = slow[limit.channel].unit;
        write();
      },
    );
    const input = el("input", {
      type: "text",
      inputmode: "decimal",
      autocomplete: "off",
      value: limit.value,
      "aria-label": t("plan.limits.value"),
    });
    input.addEventListener("input", () => {
      limit.value = input.value;
      changed();
    });
    return el(
      "div",
      { className: "limit-row" },
      channel,
      choice(
        limit,
        "side",
        t("plan.limits.side"),
        ["above", "below"].map((side) => [side, t(`plan.limits.${side}`)]),
        changed,
      ),
      el("span", { className: "with-unit" }, input, unit),
      choice(
        limit,
        "does",
        t("plan.limits.does"),
        ["warn", "end", "ease"].map((does) => [does, t(`plan.limits.${does}`)]),
        changed,
      ),
      el("button", {
        type: "button",
        text: t("plan.limits.drop"),
        onclick: () => {
          words.limits.splice(words.limits.indexOf(limit), 1);
          write();
        },
      }),
    );
  };
  const add = el("button", {
    type: "button",
    text: t("plan.limits.add"),
    onclick: () => {
      if (words.limits.length >= MOST || !names.length) return;
      const [first] = names;
      words.limits.push({ channel: first, unit: slow[first].unit, side: "above", value: "", does: "warn" });
      write();
    },
  });
  list.replaceChildren(...words.limits.map(row));
  return el(
    "details",
    { className: "plan-more", open: words.limits.length ? "" : null },
    el("summary", { text: t("plan.limits") }),
    el("p", { className: "soft", text: t(names.length ? "plan.limits.note" : "plan.limits.none") }),
    list,
    add,
  );
}
