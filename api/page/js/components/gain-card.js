// Before against after: the verdict as word and shape, the interval as a bar beside zero, what was
// not alike, and the change over speed. A difference counts only when its whole interval lies on one
// side of zero.

import { el, mark } from "../dom.js";
import { told, toldAll } from "../messages.js";
import { t } from "../texts.js";
import { number } from "../units.js";
import { labelOf } from "../words.js";
import { Chart } from "./chart.js";

const percent = (share) => number(share * 100, 1, true);

/** Write a comparison into a card; resolves with its chart, or null when there is only one figure. */
export async function writeGain(card, found) {
  const { overall } = found;
  const verdict = found.verdict.replaceAll(" ", "-");
  const words = {
    change: percent(overall.change),
    low: percent(overall.low),
    high: percent(overall.high),
    level: number(found.level * 100),
  };
  const more = found.more_repeats ?? null;
  card.dataset.verdict = verdict;
  const shape = mark(verdict === "gained" ? "loaded" : verdict === "lost" ? "easing" : "unknown");
  card.replaceChildren(
    el("p", { className: "gain-verdict" }, shape, t(`gain.${verdict}`)),
    el("p", { className: "gain-says", text: t("gain.says", words) }),
    interval(overall, words),
    verdict === "not-proven" ? el("p", { text: more ? t("gain.more", { n: more }) : t("gain.nomore") }) : "",
    ...toldAll(found, "warnings").map((text) => el("p", { className: "problem", text })),
    ...found.left_out.map((one) =>
      el("p", { className: "soft", text: t("gain.left", { id: one.run_id, why: told(one, "why") }) }),
    ),
  );
  if (found.per_bin.length < 2) return null;
  const chart = new Chart({
    title: t("gain.over"),
    unit: "1",
    x: found.per_bin.map((one) => one.x),
    xUnit: found.x_unit,
    xTitle: labelOf(found.x_name),
    height: 200,
    zero: true,
    series: [
      {
        label: t("gain.change"),
        value: found.per_bin.map((one) => one.change),
        low: found.per_bin.map((one) => one.low),
        high: found.per_bin.map((one) => one.high),
      },
    ],
  });
  card.append(chart.node);
  await chart.draw();
  return chart;
}

/** The interval as a bar beside zero: where it lies is the verdict. */
function interval({ change, low, high }, words) {
  const reach = Math.max(Math.abs(low), Math.abs(high), 0.005) * 1.25;
  const at = (share) => `${50 + (share / reach) * 50}%`;
  const [zero, range, middle] = ["interval-zero", "interval-range", "interval-mid"].map((className) =>
    el("i", { className }),
  );
  zero.style.left = "50%";
  range.style.left = at(low);
  range.style.width = `${((high - low) / reach) * 50}%`;
  middle.style.left = at(change);
  return el(
    "div",
    { className: "interval", role: "img", "aria-label": t("gain.says", words) },
    el("i", { className: "interval-axis" }),
    zero,
    range,
    middle,
  );
}
