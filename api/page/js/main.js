// Puts the page together: shell, live line, store, views by address, one paint per frame. Strips are
// painted with every message, figures and their bars ten times a second so that they can be read.

import { catalogueReady } from "./catalogue.js";
import { get, laneBase, laneFailed, useLane } from "./api.js";
import { LiveLine } from "./connection.js";
import { Dock } from "./dock.js";
import { el, mark, setAttr, setText } from "./dom.js";
import { Helm } from "./helm.js";
import { HeadroomChip } from "./components/headroom-chip.js";
import { note, notesArea } from "./components/notes.js";
import { openSettings } from "./components/settings-sheet.js";
import { closeSheet, sheetOpen } from "./components/sheet.js";
import { StateMark } from "./components/state-mark.js";
import { settings } from "./settings.js";
import { Store } from "./store.js";
import { t } from "./texts.js";
import { number } from "./units.js";
import { RollsView } from "./views/rolls.js";
import { WakeLock } from "./wake.js";

const FIGURES_MS = 100;
const TABS = ["rolls", "tests", "runs", "rig", "driver", "people"];

// page: the tab it belongs to and how its view comes; all but the first are fetched when asked for
const PAGES = {
  rolls: { tab: "rolls", view: RollsView },
  tests: { tab: "tests", load: () => import("./views/tests.js") },
  campaign: { tab: "tests", load: () => import("./views/campaign.js") },
  runs: { tab: "runs", load: () => import("./views/runs.js"), one: () => import("./views/run.js") },
  find: { tab: "runs", load: () => import("./views/runs.js") },
  vehicles: { tab: "runs", load: () => import("./views/vehicles.js") },
  consistency: { tab: "runs", load: () => import("./views/consistency.js") },
  overlay: { tab: "runs", load: () => import("./views/overlay.js") },
  rig: { tab: "rig", load: () => import("./views/rig.js") },
  strips: { tab: "rig", load: () => import("./views/strips.js") },
  heat: { tab: "rig", load: () => import("./views/heat.js") },
  absorbers: { tab: "rig", load: () => import("./views/absorbers.js") },
  proving: { tab: "rig", load: () => import("./views/proving.js") },
  driver: { tab: "driver", load: () => import("./views/driver.js") },
  people: { tab: "people", load: () => import("./views/people.js") },
  pair: { tab: "rolls", load: () => import("./views/sign-in.js") },
  "sign-in": { tab: "rolls", load: () => import("./views/sign-in.js") },
};

const store = new Store();
const helm = new Helm(store);
const dock = new Dock(store, helm);
const wake = new WakeLock();
const app = /** @type {HTMLElement} */ (document.getElementById("app"));

const rigName = el("span", { className: "rig-name" });
const linkMark = mark("off");
const linkWord = el("span", {});
const link = el("p", { className: "link" }, linkMark, linkWord);
const chip = new HeadroomChip();
const stateMark = new StateMark();
const nav = el("nav", {});
const tabs = TABS.map((name) => el("a", { href: `#/${name}`, className: "tab" }));
const gear = el("button", { type: "button", className: "bare", onclick: openSettings }, mark("settings"));
const main = el("main", { id: "main", tabindex: "0" });
nav.append(...tabs);

function logo() {
  const image = el("img", { src: "icon.svg", width: "36", height: "36", alt: "" });
  return el(
    "span",
    { className: "brand" },
    image,
    el("span", { className: "brand-words" }, el("b", { text: "Drumlin" }), rigName),
  );
}

app.replaceChildren(
  el("header", { className: "top" }, logo(), nav, stateMark.node, chip.node, link, gear),
  stateMark.cause,
  main,
  el("div", { className: "notes-area" }, ...notesArea()),
  dock.node,
);

/** @type {any} */
let view = null;
let viewKey = "";
let turn = 0;

/** Show the page of the address; `again` builds it anew (language, units) and keeps an open sheet. */
async function route(again = false) {
  const [asked = "rolls", rest = ""] = location.hash.replace(/^#\/?/, "").split("/");
  const name = store.denied && asked !== "pair" ? "sign-in" : asked in PAGES ? asked : "rolls";
  const id = name === "sign-in" ? "" : rest; // what belongs to another page is no code
  const key = `${name}/${id}`;
  if (key === viewKey && again !== true) return;
  if (again !== true) closeSheet();
  const page = PAGES[name];
  const load = id && page.one ? page.one : page.load;
  viewKey = key;
  const mine = ++turn;
  let View = page.view;
  if (load) {
    try {
      ({ default: View } = await load());
    } catch {
      if (mine === turn) note(t("view.failed"), { bad: true });
    }
    if (mine !== turn) return; // another page was asked for meanwhile
    if (!View) {
      viewKey = "";
      return;
    }
  }
  view?.leave?.();
  view = new View({ store, helm, id: decodeURIComponent(id), onPaired: readSelf });
  main.replaceChildren(view.node);
  document.body.dataset.page = name;
  tabs.forEach((tab, index) => {
    const here = TABS[index] === page.tab;
    setAttr(tab, "aria-current", here ? "page" : null);
    if (here) nav.scrollLeft = tab.offsetLeft - (nav.clientWidth - tab.offsetWidth) / 2;
  });
  setText(document.querySelector("title"), `${t(`nav.${page.tab}`)} · Drumlin`);
  if (again !== true) main.scrollTop = 0;
  figuresDue = true;
  request();
}

function age(ms) {
  if (!Number.isFinite(ms)) return "";
  const seconds = ms / 1000;
  return seconds < 90
    ? t("age.s", { n: number(seconds, seconds < 10 ? 1 : 0) })
    : t("age.min", { n: number(seconds / 60) });
}

function writeLink(now) {
  let kind = "live";
  let word = t("link.live");
  if (store.link === "denied" || store.denied) [kind, word] = ["off", t("link.denied")];
  else if (store.link === "waiting") {
    [kind, word] = ["off", t("link.waiting", { s: number(Math.max(0, Math.ceil((store.retryAt - now) / 1000))) })];
  } else if (!store.loopUp) [kind, word] = ["off", t("link.loop")];
  else if (store.silent(now)) {
    const ms = store.silentMs(now);
    [kind, word] = ["silent", Number.isFinite(ms) ? t("link.silent", { age: age(ms) }) : t("link.opening")];
  } else if (store.stale(now)) {
    const ms = store.ageMs(now);
    [kind, word] = ["silent", Number.isFinite(ms) ? t("link.frames", { age: age(ms) }) : t("why.noframe")];
  }
  setAttr(link, "data-kind", kind);
  linkMark.become(kind);
  setText(linkWord, word);
  const stale = store.stale(now);
  document.body.classList.toggle("stale", stale);
}

let asked = 0;
let figuresAt = 0;
let figuresDue = true;
let messageAt = 0;

function request() {
  if (!asked) asked = requestAnimationFrame(paint);
}

function paint() {
  asked = 0;
  const now = performance.now();
  view?.draw?.(now);
  if (figuresDue || now - figuresAt >= FIGURES_MS) writeFigures(now);
  if (store.measuring) store.drawn.push(performance.now() - now);
  if (messageAt) {
    if (store.measuring) measure(messageAt);
    messageAt = 0;
  }
}

/** Note how long a message took to the screen: a message to ourselves comes after the paint. */
function measure(arrivedAt) {
  const { port1, port2 } = new MessageChannel();
  port1.onmessage = () => {
    store.painted.push(performance.now() - arrivedAt);
    port1.close();
  };
  port2.postMessage(0);
}

function writeFigures(now) {
  figuresAt = now;
  figuresDue = false;
  writeLink(now);
  view?.write?.(now);
  stateMark.write(store, now, document.body.dataset.page);
  chip.write(store, now);
  dock.write(now);
  wake.want(store.telemetry?.test !== null && !store.silent(now) && Boolean(store.telemetry));
}

// silence has to show without any message: this clock runs by itself
setInterval(() => {
  if (performance.now() - figuresAt >= FIGURES_MS) {
    figuresDue = true;
    request();
  }
}, FIGURES_MS);

function label() {
  document.documentElement.lang = settings.get("language");
  document.documentElement.dataset.theme = settings.get("theme");
  document.body.dataset.hand = settings.get("hand");
  setAttr(nav, "aria-label", t("nav.label"));
  setAttr(gear, "aria-label", t("settings.open"));
  for (const [index, tab] of tabs.entries()) setText(tab, t(`nav.${TABS[index]}`));
  dock.relabel();
  chip.relabel();
}

settings.onChange(async (name) => {
  if (name === "language") await catalogueReady();
  label();
  if (name === "theme") view?.repaint?.();
  if (name === "units" || name === "language") {
    route(true);
    figuresDue = true;
    request();
  }
  if (name === "language" && sheetOpen()) openSettings();
});

/** Ask who this page is to the service; a tablet that may not watch is shown how to be paired. */
async function readSelf() {
  const answer = await get("/api/self", 3000);
  const denied = answer.status === 401 || answer.status === 403;
  if (answer.ok) useLane(answer.data.helm_port);
  store.role = answer.ok ? answer.data.role : denied ? "" : store.role;
  if (denied !== store.denied && (answer.ok || denied)) {
    store.denied = denied;
    route();
    if (!denied) line.hurry();
  }
}

async function readRig() {
  const answer = await get("/api/rig");
  if (answer.ok) {
    store.rig = answer.data.rig ?? answer.data;
    setText(rigName, store.rig.name ?? "");
    figuresDue = true;
  }
}

/** What the rig told before this page listened. */
async function readEvents() {
  const answer = await get("/api/events");
  if (answer.ok) store.takeEvents(answer.data.events, true);
}

const line = new LiveLine({
  base: () => (store.role && store.role !== "watch" ? laneBase() : ""),
  onBaseFailed: laneFailed,
  onMessage(message, generation) {
    if (message?.event) return store.takeEvents([message.event]);
    const arrived = performance.now();
    if (store.take(message, generation)) {
      helm.notice();
      messageAt ||= arrived;
    }
    request();
  },
  onState(state, waitMs) {
    store.setLink(state, waitMs);
    if (state === "open") {
      readRig();
      readEvents();
    }
    if (state !== "opening") readSelf();
    figuresDue = true;
    request();
  },
});

request();
addEventListener("hashchange", () => route());
label();
route();
globalThis.drumlin = { store, line }; // read by the page bench and the browser tests
performance.mark("interactive"); // every control is in place and answers

if ("serviceWorker" in navigator && isSecureContext) {
  navigator.serviceWorker.register("sw.js").catch(() => undefined);
}
