// Names and figures of results in the reader's language and units. Results come in SI with English
// labels; known ones are translated, unknown ones are shown as they came.

import { relabelled } from "./catalogue.js";
import { DASH, number, quantityOf, toShown, unitOf } from "./units.js";

/** A label of a result for the reader. */
export function labelOf(text) {
  const told = relabelled(text ?? "");
  return told.charAt(0).toUpperCase() + told.slice(1);
}

const PARTS_OF_ONE = new Set(["in_tolerance", "keeps_up", "outside_share"]);

/** The quantity in which a figure is shown: shares as per cent, counts as they are. */
export function quantityOfFigure(figure) {
  if (figure.unit === "1") return PARTS_OF_ONE.has(figure.name) ? "ratio" : "count";
  return quantityOf(figure.unit);
}

/** A figure of a result: { value, unit, half } as text; half is of its interval, "" without one. */
export function figureText(figure) {
  const quantity = quantityOfFigure(figure);
  if (figure.value === null) return { value: DASH, unit: "", half: "" };
  if (quantity === "count") return { value: number(figure.value), unit: "", half: "" };
  const unit = quantity === "plain" ? figure.unit : unitOf(quantity);
  const slope = toShown(quantity, 1) - toShown(quantity, 0);
  const half =
    figure.low === null || figure.high === null || figure.low === undefined
      ? null
      : Math.abs(((figure.high - figure.low) / 2) * slope);
  const shown = toShown(quantity, figure.value);
  const usual =
    quantity === "seconds"
      ? 2
      : quantity === "rotation" || quantity === "torque" || quantity === "force"
        ? Math.abs(shown) < 10
          ? 1
          : 0
        : Math.abs(shown) < 10
          ? 2
          : 1;
  const digits =
    half === null || half === 0
      ? usual
      : Math.max(0, Math.min(3, Math.max(usual, 1 - Math.floor(Math.log10(half) + 1e-9) - 1)));
  return { value: number(shown, digits), unit, half: half === null ? "" : number(half, digits) };
}
