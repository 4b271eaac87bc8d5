// The shape of each test kind over time, drawn as a small hill: what the rolls are made to do.

import { svg } from "../dom.js";

const PATHS = {
  "steady-hold": "M2 46C16 46 20 14 34 14H118",
  "stepped-map": "M2 46H16C20 46 18 36 24 36H42C48 36 46 25 52 25H70C76 25 74 14 80 14H118",
  "power-sweep": "M2 42H24C30 42 34 38 40 34L98 10C104 8 108 8 118 8",
  "spool-up": "M2 40H46C52 40 52 12 60 11C74 9 80 9 118 9",
  "grade-climb": "M2 46H22C44 46 52 20 72 14C88 9 100 10 118 10",
  "speed-trace":
    "M2 46C10 46 12 28 22 28C32 28 32 34 40 34C52 34 50 10 62 10C76 10 74 30 86 30C96 30 98 18 104 18C112 18 112 46 118 46",
  coastdown: "M2 12H22C30 12 44 30 66 38C84 44 100 46 118 46",
  "snap-smoke":
    "M2 44H18C22 44 22 10 25 10C28 10 29 44 36 44H52C56 44 56 10 59 10C62 10 63 44 70 44H86C90 44 90 10 93 10C96 10 97 44 104 44H118",
  identification: "M2 10L20 16V11L38 18V13L56 24V19L74 32V27L92 40V36L118 46",
};

export function glyph(kind) {
  const line = PATHS[kind] ?? PATHS["steady-hold"];
  return svg(
    "svg",
    { class: "glyph", viewBox: "0 0 120 56", preserveAspectRatio: "none", "aria-hidden": "true" },
    svg("path", { class: "glyph-hill", d: `${line}V54H2Z` }),
    svg("path", { class: "glyph-line", d: line }),
  );
}
