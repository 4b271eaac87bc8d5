// Pages within a tab: a test or a campaign, runs with their vehicles and comparisons, the rig with
// its heat and proving.

import { el } from "../dom.js";
import { t } from "../texts.js";

function subnav(names, current) {
  const nav = el(
    "nav",
    { className: "subnav", "aria-label": t("nav.within") },
    names.map((name) =>
      el("a", { href: `#/${name}`, "aria-current": name === current ? "page" : null, text: t(`sub.${name}`) }),
    ),
  );
  // where the row is too short, the page one is on stays in sight
  requestAnimationFrame(() => {
    const here = nav.querySelector("[aria-current]");
    if (here) nav.scrollLeft = here.offsetLeft - (nav.clientWidth - here.offsetWidth) / 2;
  });
  return nav;
}

export const runsNav = (current) => subnav(["runs", "overlay", "vehicles", "consistency"], current);
export const testsNav = (current) => subnav(["tests", "campaign"], current);
export const rigNav = (current) => subnav(["rig", "strips", "heat", "absorbers", "proving"], current);
