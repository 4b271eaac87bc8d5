// The vehicles of this shop: whose they are, what is known of them, how many runs they have.

import { get, put } from "../api.js";
import { noteAnswer } from "../components/notes.js";
import { closeSheet, openSheet } from "../components/sheet.js";
import { runsNav } from "../components/subnav.js";
import { el, setText } from "../dom.js";
import { unitFor } from "../kinds/index.js";
import { t } from "../texts.js";
import { number } from "../units.js";

function rpmField(id, value) {
  return el("input", { type: "text", inputmode: "decimal", autocomplete: "off", id, value: value ?? "" });
}

const withRpm = (input) =>
  el("span", { className: "with-unit" }, input, el("span", { className: "unit", text: unitFor("rotation") }));

/** What stands in a field of engine speed, null when nothing does; the rig's computer checks it. */
function written(input) {
  const text = input.value.trim().replace(",", ".");
  return text === "" ? null : Number.isFinite(Number(text)) ? Number(text) : text;
}

function engineSpeeds({ idle_rpm, max_rpm }) {
  const [low, high] = [idle_rpm, max_rpm].map((value) => (value ? number(value, 0) : "?"));
  return t("vehicles.engine", { low, high, unit: unitFor("rotation") });
}

export default class VehiclesView {
  constructor({ store }) {
    this.store = store;
    this.list = el("ul", { className: "runs" });
    this.note = el("p", { className: "soft", role: "status" });
    const add = el("button", {
      type: "button",
      className: "lead",
      text: t("vehicles.add"),
      onclick: () => this.edit({ name: "", owner: "", about: "" }),
    });
    this.node = el(
      "div",
      { className: "vehicles-page" },
      runsNav("vehicles"),
      el("h1", { className: "unseen", text: t("sub.vehicles") }),
      this.list,
      el("div", { className: "runs-foot" }, this.note, store.role === "watch" ? null : add),
    );
    this.read();
  }

  async read() {
    const answer = await get("/api/vehicles");
    if (this.gone) return;
    if (!answer.ok) {
      setText(this.note, answer.problem?.detail ?? t("answer.silent"));
      return;
    }
    const { vehicles } = answer.data;
    setText(this.note, vehicles.length ? "" : t("vehicles.none"));
    this.list.replaceChildren(
      ...vehicles.map((one) =>
        el(
          "li",
          { className: "card vehicle-line" },
          el(
            "div",
            { className: "grow" },
            el("b", { text: one.name }),
            el("p", { className: "soft", text: one.owner || t("vehicles.noowner") }),
            one.about ? el("p", { text: one.about }) : null,
            one.idle_rpm || one.max_rpm ? el("p", { className: "soft", text: engineSpeeds(one) }) : null,
          ),
          el("a", {
            className: "button",
            href: `#/find/${encodeURIComponent(one.name)}`,
            text: t(one.runs === 1 ? "vehicles.run" : "vehicles.runs", { n: number(one.runs) }),
          }),
          this.store.role === "watch"
            ? null
            : el("button", {
                type: "button",
                text: t("change"),
                "aria-label": `${t("change")}: ${one.name}`,
                onclick: () => this.edit(one),
              }),
        ),
      ),
    );
  }

  edit(vehicle) {
    const name = el("input", {
      type: "text",
      maxlength: "80",
      autocomplete: "off",
      value: vehicle.name,
      id: "vehicle-name",
    });
    const owner = el("input", {
      type: "text",
      maxlength: "120",
      autocomplete: "off",
      value: vehicle.owner,
      id: "vehicle-owner",
    });
    const about = el("textarea", { rows: "4", maxlength: "2000", id: "vehicle-about" });
    about.value = vehicle.about;
    const idle = rpmField("vehicle-idle", vehicle.idle_rpm);
    const most = rpmField("vehicle-most", vehicle.max_rpm);
    if (vehicle.name) name.readOnly = true; // runs know it by this name
    const keep = el("button", {
      type: "button",
      className: "lead",
      text: t("keep"),
      onclick: async () => {
        const body = {
          name: name.value.trim(),
          owner: owner.value.trim(),
          about: about.value.trim(),
          idle_rpm: written(idle),
          max_rpm: written(most),
        };
        if (noteAnswer(await put("/api/vehicles", body))) {
          closeSheet();
          this.read();
        }
      },
    });
    openSheet({
      title: vehicle.name || t("vehicles.add"),
      body: [
        el("label", { className: "field" }, t("plan.vehicle"), name),
        el("label", { className: "field" }, t("vehicles.owner"), owner),
        el("label", { className: "field" }, t("vehicles.about"), about),
        el("label", { className: "field" }, t("vehicles.idle"), withRpm(idle)),
        el("label", { className: "field" }, t("vehicles.most"), withRpm(most)),
        el("p", { className: "soft", text: t("vehicles.engine.note") }),
        el("div", { className: "sheet-foot" }, keep),
      ],
    });
  }

  leave() {
    this.gone = true;
  }
}
