// The cautions before any load: each is ticked after a look at the truck, then all are confirmed by
// holding. The rig keeps the acknowledgement and whose truck it was for, not the page.

import { get, post } from "../api.js";
import { el, setAttr, setText } from "../dom.js";
import { t } from "../texts.js";
import { holdButton } from "./hold.js";
import { note, noteAnswer } from "./notes.js";
import { closeSheet, openSheet } from "./sheet.js";

let lastVehicle = "";

const CAUTIONS = ["stop", "tie", "people", "gas", "turn", "tyres"];

export function openCautions() {
  const boxes = CAUTIONS.map((key) => el("input", { type: "checkbox", id: `caution-${key}` }));
  const rows = CAUTIONS.map((key, index) =>
    el(
      "label",
      { className: "caution", for: `caution-${key}` },
      boxes[index],
      el("span", { text: t(`caution.${key}`) }),
    ),
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
  const left = el("p", { className: "soft", role: "status" });
  const confirm = holdButton({
    label: () => t("caution.confirm"),
    className: "lead",
    action: async () => {
      lastVehicle = vehicle.value.trim();
      if (noteAnswer(await post("/api/acknowledge", { vehicle: lastVehicle }))) {
        closeSheet();
        note(t("caution.done"));
      }
    },
  });
  const count = () => {
    const open = boxes.filter((box) => !box.checked).length;
    setAttr(confirm, "aria-disabled", open > 0 ? "true" : null);
    setText(left, open ? t("caution.left", { n: open }) : "");
  };
  for (const box of boxes) box.addEventListener("change", count);
  count();
  openSheet({
    title: t("caution.title"),
    body: [
      el("p", { className: "caution-lead", text: t("caution.lead") }),
      el("div", { className: "cautions" }, rows),
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
