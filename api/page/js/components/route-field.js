// The road of a climb from a file: sent to the rig's computer, which reads and checks it, and drawn as
// a small profile before the start. A refusal says where the file cannot be a road.

import { postBytes } from "../api.js";
import { el, polyline, setText, show, svg } from "../dom.js";
import { t } from "../texts.js";
import { number, withUnit } from "../units.js";

const MOST_MB = 4;
const [WIDTH, HEIGHT] = [600, 130];

/** Heights along a road whose grade is linear between its points: [[m, m]], from 0. */
export function heights(points) {
  const found = [[points[0][0], 0]];
  for (let index = 1; index < points.length; index += 1) {
    const [[x0, g0], [x1, g1]] = [points[index - 1], points[index]];
    found.push([x1, found[index - 1][1] + ((x1 - x0) * (g0 + g1)) / 200]);
  }
  return found;
}

function profile(points) {
  const road = heights(points);
  const length = road[road.length - 1][0];
  const ups = road.map(([, up]) => up);
  const [low, high] = [Math.min(...ups), Math.max(...ups)];
  const x = (metres) => (metres / length) * WIDTH;
  const y = (metres) => HEIGHT - 12 - ((metres - low) / Math.max(high - low, length * 0.005)) * (HEIGHT - 24);
  const line = polyline(road, x, y);
  return svg(
    "svg",
    { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, preserveAspectRatio: "none", "aria-hidden": "true" },
    svg("path", { class: "hill-fill", d: `${line}L${WIDTH} ${HEIGHT}L0 ${HEIGHT}Z` }),
    svg("path", { class: "hill-line", d: line }),
  );
}

/** `typed.route` holds what was read, so that it is still there when one comes back. */
export function routeField(typed, changed) {
  const file = el("input", {
    type: "file",
    accept: ".csv,.gpx,.txt,text/csv,application/gpx+xml",
    className: "unseen",
    id: "plan-route",
  });
  const word = el("span", {});
  const name = el("b", { className: "route-name" });
  const facts = el("p", { className: "figure route-facts" });
  const thinned = el("p", { className: "soft" });
  const wrong = el("div", { className: "route-wrong", role: "alert" });
  const picture = el("div", { className: "route-profile" });
  /** @param {any} [problem] */
  const write = (problem = null) => {
    const { route } = typed;
    setText(word, t(route ? "plan.route.other" : "plan.route.file"));
    setText(name, route?.name ?? "");
    wrong.replaceChildren(
      ...(problem
        ? [
            el("p", { className: "problem" }, problem.detail),
            problem.remedy ? el("p", { text: problem.remedy }) : null,
          ].filter(Boolean)
        : []),
    );
    for (const node of [picture, facts, thinned]) show(node, Boolean(route));
    if (!route) return;
    picture.replaceChildren(profile(route.points));
    setText(
      facts,
      t("plan.route.facts", {
        length: withUnit("distance", route.length_m),
        up: withUnit("height", route.rise_m),
        down: withUnit("height", route.fall_m),
        steepest: number(route.steepest_percent, 1),
        falls: number(route.steepest_down_percent, 1),
      }),
    );
    setText(
      thinned,
      route.off_percent > 0
        ? t("plan.route.thinned", {
            n: number(route.points.length),
            all: number(route.read),
            off: number(Math.max(route.off_percent, 0.01), 2),
          })
        : "",
    );
  };
  file.addEventListener("change", async () => {
    const [chosen] = file.files;
    file.value = ""; // the same file, mended, can be chosen again
    if (!chosen) return;
    typed.route = null;
    if (chosen.size > MOST_MB * 1024 * 1024) write({ detail: t("plan.route.large", { n: number(MOST_MB) }) });
    else {
      setText(word, t("plan.route.reading"));
      const answer = await postBytes(`/api/route?name=${encodeURIComponent(chosen.name.slice(0, 100))}`, chosen);
      if (answer.ok) typed.route = { name: chosen.name, ...answer.data };
      write(
        answer.ok ? null : { detail: answer.problem?.detail ?? t("answer.silent"), remedy: answer.problem?.remedy },
      );
    }
    changed();
  });
  write();
  return el(
    "div",
    { className: "route-field" },
    el("div", { className: "route-head" }, el("label", { className: "button file-button" }, word, file), name),
    el("p", { className: "soft", text: t("plan.route.hint") }),
    wrong,
    picture,
    facts,
    thinned,
  );
}
