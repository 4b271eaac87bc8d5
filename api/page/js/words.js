// Names and figures of results in the reader's language and units. Results come in SI with English
// labels; known ones are translated, unknown ones are shown as they came.

import { settings } from "./settings.js";
import { DASH, number, quantityOf, toShown, unitOf } from "./units.js";

const GERMAN = [
  [
    /^(front|rear)(?:-(left|right))?:? /i,
    (_, end, side) =>
      `${/front/i.test(end) ? "Vorn" : "Hinten"}${side ? (/left/i.test(side) ? " links" : " rechts") : ""}: `,
  ],
  [/cell slope|cell calibration/, "Steigung der Zelle"],
  [/cell zero/, "Null der Zelle"],
  [/roll radius/, "Rollenradius"],
  [/base inertia/, "Grundträgheit"],
  [/\bloss(es)?$/, "Verlust"],
  [/alignment$/, "Zeitversatz"],
  [/^weather factor/, "Wetterkorrektur"],
  [/^engine speed$/, "Motordrehzahl"],
  [/^noise$/, "Rauschen"],
  [/^common cell slope|^slope of all cells.*/, "Gemeinsame Steigung aller Zellen"],
  [/wheel power/gi, "Radleistung"],
  [/(wheel )?torque referred to the engine/gi, "Radmoment, auf den Motor bezogen"],
  [/tractive force/gi, "Zugkraft"],
  [/engine speed/gi, "Motordrehzahl"],
  [/roll speed/gi, "Rollengeschwindigkeit"],
  [/^Highest /, "Größte: "],
  [/^Where: /, "Bei: "],
  [/^Mean rate of the sweep/, "Mittlerer Anstieg"],
  [/^Mean /, "Mittel: "],
  [/^Spread of /, "Streuung: "],
  [/^Settled time evaluated/, "Ausgewertete Zeit"],
  [/^Share within (.*)/, "Anteil innerhalb $1"],
  [/^Points settled/, "Eingeschwungene Punkte"],
  [/^Share of the time it kept up/, "Anteil der Zeit, in der es mithielt"],
  [/^Time climbed/, "Zeit am Berg"],
  [/^Kept up for/, "Hielt mit über"],
  [/^Distance driven/, "Gefahrene Strecke"],
  [/^Distance of the trace/, "Strecke der Fahrkurve"],
  [/^Distance/, "Strecke"],
  [/^Least speed/, "Kleinste Geschwindigkeit"],
  [/^Longest excursion/, "Längste Überschreitung"],
  [/^Excursions/, "Überschreitungen"],
  [/^Share of the time outside/, "Anteil der Zeit außerhalb"],
  [/^Speed error, rms/, "Geschwindigkeitsfehler, effektiv"],
  [/^Positive wheel work/, "Positive Radarbeit"],
  [/^Time from first to last speed/, "Zeit von der ersten zur letzten Geschwindigkeit"],
  [/^Mass that coasts.*/, "Rollende Masse an der Rolle"],
  [/^Mean force/, "Mittlere Kraft"],
  [/^Hottest rotor (.*)/, "Heißester Rotor $1"],
  [/^Hottest oil/, "Heißestes Öl"],
  [/^Snaps/, "Gasstöße"],
  [/, corrected/, ", korrigiert"],
  [/, observed/, ", gemessen"],
  [/^time after the onset/i, "Zeit nach dem Beginn"],
  [/^time$/i, "Zeit"],
];

/** A label of a result for the reader. */
export function labelOf(text) {
  let told = text ?? "";
  if (settings.get("language") === "de") for (const [form, german] of GERMAN) told = told.replace(form, german);
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
