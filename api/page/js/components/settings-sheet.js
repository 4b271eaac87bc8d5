// What this tablet shows and how: language, units, look, hand, name at the helm.

import { languages } from "../catalogue.js";
import { el } from "../dom.js";
import { settings } from "../settings.js";
import { t } from "../texts.js";
import { openSheet } from "./sheet.js";

function choice(name, legend, options) {
  return el(
    "fieldset",
    { className: "choice" },
    el("legend", { text: legend }),
    options.map(([value, label]) => {
      const input = el("input", {
        type: "radio",
        name: `set-${name}`,
        value,
        onchange: () => settings.set(name, value),
      });
      input.checked = settings.get(name) === value;
      return el("label", {}, input, label);
    }),
  );
}

export function openSettings() {
  const name = el("input", {
    type: "text",
    maxlength: "24",
    autocomplete: "off",
    value: settings.get("name"),
    oninput: () => settings.set("name", name.value.trim()),
  });
  openSheet({
    title: t("settings.title"),
    body: el(
      "div",
      { className: "settings" },
      choice("language", t("settings.language"), Object.entries(languages)),
      choice("units", t("settings.units"), [
        ["metric", t("settings.metric")],
        ["us", t("settings.us")],
      ]),
      choice("theme", t("settings.theme"), [
        ["auto", t("settings.auto")],
        ["light", t("settings.light")],
        ["dark", t("settings.dark")],
      ]),
      choice("hand", t("settings.hand"), [
        ["left", t("settings.left")],
        ["right", t("settings.right")],
      ]),
      el("label", { className: "field" }, t("settings.name"), name, el("small", { text: t("settings.name.hint") })),
    ),
  });
}
