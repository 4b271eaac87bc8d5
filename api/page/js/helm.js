// The helm from this page's side: take, keep alive, let go, ask, hand over. The helm is kept only
// while the page is in front of a person: a hidden page stops keeping it, and the rig eases off by
// itself when the helm runs out.

import { postHelm } from "./api.js";
import { note, noteAnswer, say } from "./components/notes.js";
import { clientId, settings } from "./settings.js";
import { t } from "./texts.js";

const KEEP_MS = 900;

export class Helm {
  constructor(store) {
    this.store = store;
    this.wanted = false; // we took it and did not let go
    this.had = false;
    this.keeping = false;
    this.takenAt = -Infinity;
    this.timer = setInterval(() => this.keep(), KEEP_MS);
  }

  get view() {
    return this.store.telemetry?.helm ?? { holder: "", name: "", left_s: 0, asked_by: "", asked_id: "" };
  }

  get ours() {
    const { holder } = this.view;
    return holder !== "" && (holder === clientId() || holder.endsWith(`:${clientId()}`));
  }

  /** A chosen name with what cannot be chosen: the token and the device behind it. */
  known(name, id) {
    const [token, device = ""] = id.split(":");
    return id ? `${name} (${token}${device ? ` · ${device.slice(-4)}` : ""})` : name;
  }

  get free() {
    return this.view.holder === "";
  }

  /** Called on each new telemetry: notices that the helm came or went. */
  notice() {
    const ours = this.ours;
    if (ours && !this.had) {
      this.wanted = true;
      say(t("helm.got"));
    }
    if (!ours && this.had && performance.now() - this.takenAt > 1500) {
      if (this.wanted) note(t("helm.lost"), { bad: true });
      this.wanted = false;
    }
    this.had = ours;
  }

  async take() {
    this.takenAt = performance.now();
    const done = noteAnswer(await postHelm("/api/helm/take", { name: settings.get("name") || null }));
    if (done) this.wanted = true;
    return done;
  }

  async release() {
    this.wanted = false;
    noteAnswer(await postHelm("/api/helm/release"));
  }

  async ask() {
    const name = this.view.name;
    if (noteAnswer(await postHelm("/api/helm/ask", { name: settings.get("name") || null })))
      note(t("helm.asked", { name }));
  }

  async offer() {
    const to = this.view.asked_id;
    if (noteAnswer(await postHelm("/api/helm/offer", { to }))) this.wanted = false;
  }

  async keep() {
    if (!this.wanted || !this.ours || this.keeping || document.visibilityState !== "visible") return;
    this.keeping = true;
    await postHelm("/api/helm/keep", {}, 2000);
    this.keeping = false;
  }
}
