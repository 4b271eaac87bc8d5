// A sheet of paper laid over the page, never over the dock: ease off stays under the thumb. Focus
// goes in, Escape and the close button take it back to where it came from.

import { el, mark } from "../dom.js";
import { t } from "../texts.js";

/** @type {{ node: HTMLElement, before: any, onClose?: () => void } | null} */
let open = null;

export function closeSheet() {
  if (!open) return;
  const { node, before, onClose } = open;
  open = null;
  node.remove();
  document.body.classList.remove("has-sheet");
  document.getElementById("main")?.removeAttribute("inert");
  onClose?.();
  if (before?.isConnected) before.focus();
}

/**
 * Lay a sheet with a title over the page.
 * @param {{ title: string, body: any, onClose?: () => void }} sheet
 */
export function openSheet({ title, body, onClose }) {
  closeSheet();
  const before = document.activeElement;
  const heading = el("h1", { id: "sheet-title", tabindex: "-1", text: title });
  const close = el(
    "button",
    { type: "button", className: "bare", "aria-label": t("close"), onclick: closeSheet },
    mark("off"),
  );
  const node = el(
    "section",
    { className: "sheet-back" },
    el(
      "div",
      { className: "sheet", role: "dialog", "aria-labelledby": "sheet-title" },
      el("header", {}, heading, close),
      el("div", { className: "sheet-body" }, body),
    ),
  );
  node.addEventListener("keydown", (event) => {
    if (event.key === "Escape") closeSheet();
  });
  node.addEventListener("pointerdown", (event) => {
    if (event.target === node) closeSheet();
  });
  document.getElementById("main")?.setAttribute("inert", "");
  document.getElementById("main")?.before(node);
  document.body.classList.add("has-sheet");
  open = { node, before, onClose };
  heading.focus();
}

export function sheetOpen() {
  return open !== null;
}
