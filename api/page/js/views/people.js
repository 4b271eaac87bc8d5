// People and tokens: who may watch, operate or maintain; a code to pair another tablet; what was
// done lately. Only somebody who maintains gets these lists; others see who they are themselves.

import { get, post, remove } from "../api.js";
import { holdButton } from "../components/hold.js";
import { noteAnswer } from "../components/notes.js";
import { el, show } from "../dom.js";
import { t, tOr } from "../texts.js";
import { dateTime } from "../units.js";

const ROLES = ["watch", "operate", "maintain"];

export default class PeopleView {
  constructor({ store }) {
    this.store = store;
    this.self = el("section", { className: "card" });
    this.pair = el("section", { className: "card" });
    this.list = el("section", { className: "card" });
    this.log = el("section", { className: "card" });
    this.node = el(
      "div",
      { className: "people-page" },
      el("h1", { className: "unseen", text: t("nav.people") }),
      el("div", { className: "rig-column" }, this.self, this.pair, this.list),
      el("div", { className: "rig-column" }, this.log),
    );
    this.read();
  }

  async read() {
    const answer = await get("/api/self");
    if (this.gone) return;
    if (!answer.ok) {
      this.self.replaceChildren(el("p", { text: answer.problem?.detail ?? t("answer.silent") }));
      for (const part of [this.pair, this.list, this.log]) part.remove();
      return;
    }
    const me = answer.data;
    this.self.replaceChildren(
      el("h2", { text: t("people.you") }),
      el("p", {}, el("b", { text: me.name }), ` · ${t(`role.${me.role}`)}`),
      ...(me.tokens_in_use ? [] : [el("p", { className: "soft", text: t("people.open") })]),
    );
    if (me.role !== "maintain") {
      for (const part of [this.pair, this.list, this.log]) part.remove();
      return;
    }
    if (me.tokens_in_use) this.showPairing();
    else this.showFirst();
    await Promise.all([this.readTokens(), this.readLog()]);
  }

  showFirst() {
    const name = el("input", { type: "text", autocomplete: "off", maxlength: "40", id: "first-name" });
    const out = el("p", { className: "secret figure" });
    const make = holdButton({
      label: () => t("people.first"),
      action: async () => {
        const made = await post("/api/tokens", { name: name.value.trim(), role: "maintain" });
        if (!noteAnswer(made)) return;
        noteAnswer(await post("/api/sign-in", { token: made.data.token }));
        out.textContent = made.data.token;
        out.before(el("p", { text: t("people.secret") }));
        this.readTokens();
      },
    });
    this.pair.replaceChildren(
      el("h2", { text: t("people.first.title") }),
      el("p", { className: "soft", text: t("people.first.lead") }),
      el("label", { className: "field" }, t("people.name"), name),
      make,
      out,
    );
  }

  showPairing() {
    const out = el("p", { className: "pair-code figure", role: "status" });
    const until = el("p", { className: "soft" });
    const drawn = el("img", { className: "pair-qr hidden", alt: t("people.qr") });
    const link = el("p", { className: "soft pair-link" });
    const buttons = ROLES.map((role) =>
      el("button", {
        type: "button",
        text: t(`role.${role}`),
        onclick: async () => {
          const made = await post("/api/pairing-codes", { role });
          if (!noteAnswer(made)) return;
          out.textContent = made.data.code;
          show(drawn, Boolean(made.data.qr_svg));
          if (made.data.qr_svg) drawn.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(made.data.qr_svg)}`;
          link.textContent = made.data.link
            ? `${t("people.scan")} ${new URL(made.data.link).host}`
            : t("people.unreachable");
          until.textContent = t("people.code.until", {
            role: t(`role.${role}`),
            n: Math.round(made.data.expires_in_s / 60),
          });
        },
      }),
    );
    this.pair.replaceChildren(
      el("h2", { text: t("people.code") }),
      el("p", { className: "soft", text: t("people.code.lead") }),
      el("div", { className: "row" }, buttons),
      el("div", { className: "pair-show" }, el("div", {}, out, until, link), drawn),
    );
  }

  async readTokens() {
    const answer = await get("/api/tokens");
    if (this.gone || !answer.ok) return;
    const rows = answer.data.tokens.map((token) => {
      const gone = Boolean(token.revoked);
      return el(
        "li",
        { className: gone ? "soft" : "" },
        el(
          "span",
          { className: "grow" },
          el("b", { text: token.name }),
          ` · ${t(`role.${token.role}`)}`,
          el("br", {}),
          el("span", {
            className: "soft",
            text: gone ? `${t("people.revoked")} ${dateTime(token.revoked)}` : dateTime(token.made),
          }),
        ),
        gone
          ? null
          : holdButton({
              label: () => t("people.revoke"),
              action: async () => {
                if (noteAnswer(await remove(`/api/tokens/${encodeURIComponent(token.id)}`))) this.read();
              },
            }),
      );
    });
    this.list.replaceChildren(
      el("h2", { text: t("people.tokens") }),
      rows.length ? el("ul", { className: "tokens" }, rows) : el("p", { className: "soft", text: t("people.none") }),
    );
  }

  async readLog() {
    const answer = await get("/api/audit?limit=40");
    if (this.gone || !answer.ok) return;
    const rows = [...answer.data.entries]
      .reverse()
      .map((entry) =>
        el(
          "tr",
          {},
          el("td", { className: "figure soft", text: dateTime(entry.at) }),
          el("th", { scope: "row", text: entry.who }),
          el("td", { text: tOr(`did.${entry.what}`, entry.what) }),
          el("td", { text: tOr(`came.${entry.outcome}`, entry.outcome) }),
        ),
      );
    this.log.replaceChildren(
      el("h2", { text: t("people.log") }),
      rows.length
        ? el("div", { className: "scroll-x" }, el("table", {}, el("tbody", {}, rows)))
        : el("p", { className: "soft", text: t("people.nothing") }),
    );
  }

  leave() {
    this.gone = true;
  }
}
