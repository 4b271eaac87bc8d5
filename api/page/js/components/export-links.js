// Files of a run to take away: form, units, and rows a second.

import { el } from "../dom.js";
import { settings } from "../settings.js";
import { t } from "../texts.js";
import { number as showNumber } from "../units.js";

/** Files of a run in the units and with as many rows a second as chosen; of the evaluation `number`. */
export function exportLinks(path, number) {
  const links = ["csv", "parquet", "mdf4", "curves"].map((form) => ({
    form,
    node: el("a", { className: "button", download: "", text: form.toUpperCase() }),
  }));
  const choice = (label, options, value) => {
    const select = el(
      "select",
      { onchange: () => write() },
      options.map(([name, text]) => el("option", { value: name, text })),
    );
    select.value = value;
    return { select, node: el("label", { className: "field" }, label, select) };
  };
  const units = choice(
    t("settings.units"),
    ["si", "metric", "us"].map((name) => [name, t(`run.export.${name}`)]),
    settings.get("units"),
  );
  const rows = choice(
    t("run.export.rows"),
    [
      ["0", t("run.export.all")],
      ...["100", "50", "10", "1"].map((n) => [n, t("run.export.hz", { n: showNumber(Number(n)) })]),
    ],
    "0",
  );
  const write = () => {
    for (const { form, node } of links) {
      const wish = new URLSearchParams({ form, units: units.select.value });
      if (rows.select.value !== "0" && form !== "curves") wish.set("hz", rows.select.value);
      if (number) wish.set("number", String(number));
      node.setAttribute("href", `${path}/export?${wish}`);
    }
  };
  write();
  return el(
    "details",
    { className: "files" },
    el("summary", { text: t("run.export") }),
    el(
      "div",
      { className: "files-list" },
      units.node,
      rows.node,
      links.map(({ node }) => node),
    ),
  );
}
