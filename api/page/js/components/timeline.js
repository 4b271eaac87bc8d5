// What happened in a test, in order: phases, set points, faults, notices, each with its time in it.

import { get } from "../api.js";
import { el } from "../dom.js";
import { told } from "../messages.js";
import { t, tOr } from "../texts.js";
import { clockTime } from "../units.js";

const MOST_LIVE = 4; // a tablet shows the last of them, a large screen all
const ALARMS = new Set(["fault", "run-ended"]); // drawn so that the eye finds them

// of the computer and the link: they stay with the run, and are no news to who looks at the truck
const INNER = new Set(["loop-was-late-ms-between-two", "front-end-notice"]);

/** One moment as a sentence. */
export function momentText(moment) {
  const phase = moment.text_message?.values?.phase;
  if (moment.kind === "phase" && typeof phase === "string") return tOr(`phase.${phase}`, phase);
  if (moment.kind === "run-started") return t("timeline.begun");
  return told(moment, "text");
}

/** The moments of the newest test among the events of the rig: { at_s, kind, text, text_message }. */
export function momentsOf(events) {
  const begin = events.findLastIndex((event) => event.kind === "run-started");
  if (begin < 0) return [];
  return events
    .slice(begin)
    .filter((event) => event.kind !== "state" && !INNER.has(event.text_message?.code))
    .map((event) => ({ ...event, at_s: event.time_s - events[begin].time_s }));
}

/** Moments as an ordered list. */
export function timelineOf(moments) {
  return el(
    "ol",
    { className: "timeline" },
    moments.map((moment) =>
      el(
        "li",
        { "data-kind": moment.kind, "data-marked": ALARMS.has(moment.kind) ? "yes" : null },
        el("span", { className: "figure soft", text: clockTime(moment.at_s) }),
        el("span", { text: momentText(moment) }),
      ),
    ),
  );
}

/** A stored run's card; null where its events were not kept. */
export async function runTimeline(path) {
  const answer = await get(`${path}/timeline`);
  if (!answer.ok || !answer.data.moments.length) return null;
  return el("section", { className: "card" }, el("h2", { text: t("timeline.title") }), timelineOf(answer.data.moments));
}

/** The newest moments of the running test, under its chart. */
export class LiveTimeline {
  constructor() {
    this.node = el("div", { className: "live-timeline", role: "log", "aria-label": t("timeline.title") });
    this.shown = "";
  }

  write(telemetry, store) {
    const moments = telemetry.test ? momentsOf(store.events).slice(-MOST_LIVE) : [];
    const stamp = moments.map((moment) => moment.time_s).join(" ");
    if (stamp === this.shown) return;
    this.shown = stamp;
    this.node.replaceChildren(...(moments.length ? [timelineOf(moments)] : []));
  }
}
