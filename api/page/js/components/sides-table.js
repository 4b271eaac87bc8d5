// What stands beside compared curves: peaks and the mean over the speeds that all runs share, weather
// and notes of each run, the mean of each side, and the difference of the sides.

import { el } from "../dom.js";
import { t } from "../texts.js";
import { DASH, dateTime, number, quantityOf, shown, unitOf, withUnit } from "../units.js";

/** Mean of a curve over [from, to] by the trapezoid rule; null when it does not reach that far. */
export function areaMean(curve, from, to) {
  let area = 0;
  let [low, high] = [Infinity, -Infinity];
  for (let at = 1; at < curve.x.length; at += 1) {
    const [a, b] = [curve.x[at - 1], curve.x[at]];
    const [ya, yb] = [curve.value[at - 1], curve.value[at]];
    if (b < from - 1e-9 || a > to + 1e-9) continue;
    if (ya === null || yb === null) return null;
    const [left, right] = [Math.max(a, from), Math.min(b, to)];
    const at_ = (x) => ya + ((yb - ya) * (x - a)) / (b - a || 1);
    area += ((at_(left) + at_(right)) / 2) * (right - left);
    [low, high] = [Math.min(low, left), Math.max(high, right)];
  }
  return high > low && low <= from + 1e-9 && high >= to - 1e-9 ? area / (to - from) : null;
}

/** The speeds that every curve covers, [from, to]; null when there are none. */
export function commonRange(curves) {
  const ends = curves.map((one) => {
    const at = one.x.filter((_, index) => one.value[index] !== null);
    return [at[0] ?? Infinity, at.at(-1) ?? -Infinity];
  });
  const [from, to] = [Math.max(...ends.map(([a]) => a)), Math.min(...ends.map(([, b]) => b))];
  return to > from ? [from, to] : null;
}

/** Mean of repeats, place by place; null where one of them has no value. */
export function meanOf(repeats) {
  return repeats[0].map((_, at) => {
    const values = repeats.map((one) => one[at]);
    return values.some((value) => value === null) ? null : values.reduce((a, b) => a + b, 0) / values.length;
  });
}

const figureOf = (result, name) => result?.figures?.find((one) => one.name === name)?.value ?? null;

/** A table over the runs [{ id, run, result, side }]; null when none of them has a curve over speed. */
export function sidesTable(runs) {
  const swept = runs.filter(({ result }) =>
    result?.curves?.some((one) => one.name === "power" && one.x_name !== "time"),
  );
  if (!swept.length) return null;
  const curves = new Map(swept.map(({ id, result }) => [id, result.curves.find((one) => one.name === "power")]));
  const range = commonRange([...curves.values()]);
  const xUnit = [...curves.values()][0].x_unit;
  const columns = [
    ["power", t("sides.power"), ({ result }) => figureOf(result, "peak_power")],
    ["torque", t("sides.torque"), ({ result }) => figureOf(result, "peak_torque")],
    ["power", t("sides.mean"), ({ id }) => (range ? areaMean(curves.get(id), ...range) : null)],
  ];
  const values = swept.map((one) => columns.map(([, , read]) => read(one)));
  const cells = (row) =>
    columns.map(([quantity], at) => el("td", { className: "figure", text: shown(quantity, row[at]) }));
  const rows = swept.map((one, at) => {
    const { run, result, side } = one;
    const { ambient_k, pressure_pa } = result.conditions ?? {};
    const air = [
      Number.isFinite(ambient_k) ? withUnit("temperature", ambient_k) : "",
      Number.isFinite(pressure_pa) ? withUnit("pressure", pressure_pa) : "",
    ].filter(Boolean);
    const notes = (run.notes ?? []).map((one) => one.text).join(" ");
    return el(
      "tr",
      {},
      el("td", { text: t(`overlay.${side}`) }),
      el(
        "td",
        {},
        el("a", { href: `#/runs/${run.id}`, text: dateTime(run.started_at) }),
        run.vehicle ? ` ${run.vehicle}` : "",
      ),
      cells(values[at]),
      el("td", { className: "soft", text: air.join(", ") || DASH }),
      el("td", { className: "soft", text: notes }),
    );
  });
  const means = ["before", "after"].map((side) => {
    const of = values.filter((_, at) => swept[at].side === side);
    return of.length ? columns.map((_, at) => mean(of.map((row) => row[at]))) : null;
  });
  const summed = ["before", "after"].flatMap((side, index) =>
    means[index]
      ? [
          el(
            "tr",
            { className: "sum" },
            el("td", { colspan: "2", text: t("sides.of", { side: t(`overlay.${side}`) }) }),
            cells(means[index]),
            el("td", { colspan: "2" }),
          ),
        ]
      : [],
  );
  const [before, after] = means;
  if (before && after) {
    const change = columns.map((_, at) =>
      before[at] && after[at] !== null ? number((after[at] / before[at] - 1) * 100, 1, true) : DASH,
    );
    summed.push(
      el(
        "tr",
        { className: "sum" },
        el("td", { colspan: "2", text: t("sides.change") }),
        change.map((text) => el("td", { className: "figure", text: text === DASH ? text : `${text} %` })),
        el("td", { colspan: "2" }),
      ),
    );
  }
  const heads = [
    "",
    t("sides.run"),
    ...columns.map(([quantity, title]) => `${title}, ${unitOf(quantity)}`),
    t("sides.air"),
    t("sides.notes"),
  ];
  const told = range
    ? t("sides.range", { from: shown(quantityOf(xUnit), range[0]), to: withUnit(quantityOf(xUnit), range[1]) })
    : "";
  return el(
    "div",
    { className: "table-holder" },
    el(
      "table",
      { className: "sides" },
      el("caption", { className: "soft", text: told }),
      el(
        "thead",
        {},
        el(
          "tr",
          {},
          heads.map((text) => el("th", { scope: "col", text })),
        ),
      ),
      el("tbody", {}, rows, summed),
    ),
  );
}

function mean(values) {
  return values.some((value) => value === null) ? null : values.reduce((a, b) => a + b, 0) / values.length;
}
