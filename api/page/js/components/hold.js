// Hold to confirm: for actions that can put load on, or take a right from a person. Works by thumb,
// by a held key, and for assistive technology by activating twice. Letting go early does nothing.

import { el, setText } from "../dom.js";
import { t } from "../texts.js";

const HOLD_MS = 900;
const AGAIN_MS = 6000;

/** @type {(share: number) => void} */
const nothing = () => {};

/**
 * Button that runs `action` only after being held for `ms`. `label` is a function, for language
 * changes; `during` is told the share of the hold as it grows, and 0 when it was let go.
 */
export function holdButton({ label, action, className = "", ms = HOLD_MS, during = nothing }) {
  const title = el("span", { text: label() });
  const hint = el("small", { text: t("hold.hint") });
  const button = el("button", { type: "button", className: `hold ${className}` }, title, hint);
  button.style.setProperty("--hold", `${ms}ms`);
  let timer = 0;
  let armedUntil = 0;
  let byHand = false;
  let began = 0;

  function progress() {
    if (!timer) return;
    during(Math.min(1, (performance.now() - began) / ms));
    requestAnimationFrame(progress);
  }

  function begin() {
    if (timer || button.getAttribute("aria-disabled") === "true") return;
    button.classList.add("held");
    setText(hint, t("hold.more"));
    began = performance.now();
    timer = setTimeout(() => {
      during(1);
      end();
      if (navigator.vibrate) navigator.vibrate(30);
      action();
    }, ms);
    progress();
  }

  function end() {
    clearTimeout(timer);
    if (timer && performance.now() - began < ms) during(0);
    timer = 0;
    button.classList.remove("held");
    setText(hint, t("hold.hint"));
  }

  button.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    byHand = true;
    button.setPointerCapture(event.pointerId);
    begin();
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) {
    button.addEventListener(name, end);
  }
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    byHand = true;
    if (!event.repeat) begin();
  });
  button.addEventListener("keyup", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    end();
  });
  button.addEventListener("click", () => {
    if (byHand) {
      byHand = false;
      return;
    }
    // no pointer and no key came first: assistive technology
    if (button.getAttribute("aria-disabled") === "true") return;
    const now = performance.now();
    if (now < armedUntil) {
      armedUntil = 0;
      setText(hint, t("hold.hint"));
      action();
    } else {
      armedUntil = now + AGAIN_MS;
      setText(hint, t("hold.again"));
      setTimeout(() => setText(hint, t("hold.hint")), AGAIN_MS);
    }
  });
  button.relabel = () => {
    setText(title, label());
    if (!timer) setText(hint, t("hold.hint"));
  };
  return button;
}
