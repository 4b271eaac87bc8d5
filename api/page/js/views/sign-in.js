// Shown when this tablet may not even watch: pair it with a short code from somebody who maintains.
// The link of a QR code brings the code along; only a name is left to give.

import { post } from "../api.js";
import { noteAnswer } from "../components/notes.js";
import { el, setAttr } from "../dom.js";
import { t } from "../texts.js";

export default class SignInView {
  constructor({ onPaired, id }) {
    const code = el("input", {
      type: "text",
      autocomplete: "one-time-code",
      autocapitalize: "characters",
      spellcheck: "false",
      maxlength: "32",
      className: "code-input",
      id: "pair-code",
      value: id,
    });
    const name = el("input", { type: "text", autocomplete: "off", maxlength: "40", id: "pair-name" });
    const go = el("button", { type: "submit", className: "lead", text: t("pair.go") });
    const form = el(
      "form",
      {
        className: "card pair",
        onsubmit: async (event) => {
          event.preventDefault();
          setAttr(go, "aria-disabled", "true");
          const answer = await post("/api/pair", { code: code.value.trim().toUpperCase(), name: name.value.trim() });
          setAttr(go, "aria-disabled", null);
          if (!noteAnswer(answer)) return;
          location.hash = "#/rolls"; // the code is spent
          onPaired();
        },
      },
      el("h1", { text: t("pair.title") }),
      el("p", { text: t("pair.lead") }),
      el("label", { className: "field" }, t("pair.code"), code),
      el("label", { className: "field" }, t("pair.name"), name),
      go,
    );
    this.node = el("div", { className: "pair-page" }, form);
    if (id) setTimeout(() => name.focus());
  }
}
