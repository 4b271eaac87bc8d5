import { readFile } from "node:fs/promises";

// What the page's pure parts ask of a browser, for node: storage in memory, a language, a clock.
class Memory {
  kept = new Map();
  getItem = (key) => this.kept.get(key) ?? null;
  setItem = (key, value) => this.kept.set(key, String(value));
}

/** The clock that `performance.now()` reads, in ms: a test moves it. */
export const clock = { now: 0 };

for (const [name, value] of Object.entries({
  localStorage: new Memory(),
  sessionStorage: new Memory(),
  navigator: { language: "en-GB", languages: ["en-GB"] },
  performance: { now: () => clock.now },
})) {
  Object.defineProperty(globalThis, name, { value, configurable: true, writable: true });
}

// The catalogues are where the service takes them from.
globalThis.fetch = async (path) => {
  const name = String(path).replace(/^texts\//, "");
  const text = await readFile(new URL(`../../daq/texts/${name}`, import.meta.url), "utf8").catch(() => null);
  return text === null ? new Response("", { status: 404 }) : new Response(text);
};

export const page = (path) => import(new URL(`../../api/page/js/${path}`, import.meta.url).href);
