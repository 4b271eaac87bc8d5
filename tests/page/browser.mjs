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

export const page = (path) => import(new URL(`../../api/page/js/${path}`, import.meta.url).href);
