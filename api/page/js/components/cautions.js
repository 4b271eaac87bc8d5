// The cautions before any load: all are confirmed by one long hold, while they light up one after the
// other, each as long as it takes to look. Letting go early confirms nothing. The rig keeps the acknowledgement and whose truck it was for, not the page.

import { get, post } from "../api.js";
import { el, mark, setAttr } from "../dom.js";
import { t } from "../texts.js";
import { holdButton } from "./hold.js";
import { note, noteAnswer } from "./notes.js";
import { closeSheet, openSheet } from "./sheet.js";

let lastVehicle = "";

const LOOK_MS = 500; // for each
const CAUTIONS = ["stop", "tie", "people", "gas", "turn", "tyres"];

export function openCautions() {
  const rows = CAUTIONS.map((key) =>
    el("li", { className: "caution" }, mark("done"), el("span", { text: t(`caution.${key}`) })),
  );
  const known = el("datalist", { id: "caution-vehicles" });
  const vehicle = el("input", {
    type: "text",
    autocomplete: "off",
    maxlength: "80",
    list: "caution-vehicles",
    id: "caution-vehicle",
    value: lastVehicle,
  });
  get("/api/vehicles").then((answer) => {
    if (answer.ok) known.replaceChildren(...answer.data.vehicles.map((one) => el("option", { value: one.name })));
  });
  const left = el("p", { className: "soft", text: t("caution.hold") });
  const confirm = holdButton({
    label: () => t("caution.confirm"),
    className: "lead",
    ms: LOOK_MS * CAUTIONS.length,
    during: (share) => {
      rows.forEach((row, index) => {
        setAttr(row, "data-seen", share * CAUTIONS.length > index ? "yes" : null);
      });
    },
    action: async () => {
      lastVehicle = vehicle.value.trim();
      if (noteAnswer(await post("/api/acknowledge", { vehicle: lastVehicle }))) {
        closeSheet();
        note(t("caution.done"));
      }
    },
  });
  openSheet({
    title: t("caution.title"),
    body: [
      el("p", { className: "caution-lead", text: t("caution.lead") }),
      el("ul", { className: "cautions" }, rows),
      el(
        "label",
        { className: "field" },
        t("caution.vehicle"),
        vehicle,
        el("small", { text: t("caution.vehicle.hint") }),
      ),
      known,
      el("div", { className: "sheet-foot" }, left, confirm),
    ],
  });
}
