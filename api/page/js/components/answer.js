// The answer of a run: its main figures with their intervals, valid or void with the reason, and
// what it was corrected for. Shown in the run and at the rolls as soon as a test has ended.

import { el, mark } from "../dom.js";
import { told, toldAll } from "../messages.js";
import { t } from "../texts.js";
import { number } from "../units.js";
import { figureText, labelOf } from "../words.js";

const MOST_BESIDE = 5; // figures beside the main one

/**
 * The nodes of an answer; what an evaluation could not say stands as a sentence.
 * @param {any} result
 * @returns {any[]}
 */
export function answerOf(result) {
  if (!result?.figures) return [el("p", { text: t("run.noresult") })];
  const known = result.figures.filter((one) => one.value !== null);
  // where a figure lies belongs to it: peak_power_at beside peak_power
  const place = (one) => known.find((other) => other.name === `${one.name}_at`);
  const shown = known.filter((one) => !one.name.endsWith("_at"));
  const main = shown.find((one) => one.name === result.main);
  const rest = shown.filter((one) => one !== main).slice(0, MOST_BESIDE);
  const item = (one, className) => {
    const { value, unit, half } = figureText(one);
    return el(
      "div",
      { className: `answer-item ${className}` },
      el("span", { className: "soft", text: labelOf(one.label) }),
      el(
        "b",
        { className: "figure" },
        value,
        unit ? el("span", { className: "unit answer-unit", text: ` ${unit}` }) : null,
      ),
      half ? el("span", { className: "figure soft", text: `± ${half} ${unit} (95 %)` }) : null,
      place(one)
        ? el("span", {
            className: "figure answer-place",
            text: t("run.at", { where: `${figureText(place(one)).value} ${figureText(place(one)).unit}` }),
          })
        : null,
    );
  };
  const corrected = result.correction && result.correction.rule !== "none";
  return [
    ...(result.valid
      ? []
      : [
          el(
            "p",
            { className: "verdict answer-asked" },
            mark("caution"),
            t("run.void", {
              why: toldAll(result, "void").join("; "),
            }),
          ),
        ]),
    el("p", { className: "answer-asked" }, told(result, "asked")),
    ...(main ? [item(main, "answer-main")] : []),
    ...rest.map((one) => item(one, "")),
    el("p", {
      className: "answer-asked",
      text: corrected
        ? t("run.corrected", { title: result.correction.title, factor: number(result.correction.factor, 4) })
        : t("run.uncorrected"),
    }),
  ];
}
