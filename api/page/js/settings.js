// What one person chose on this tablet: language, units, look, hand, name. Kept in localStorage;
// the client id is kept per tab, so that two tabs are two people to the helm.

const KEY = "drumlin.settings";

function defaults() {
  return {
    language: (navigator.language || "en").toLowerCase().slice(0, 2), // English where nobody wrote it
    units: /-(us|lr|mm)$/i.test(navigator.language || "") ? "us" : "metric",
    theme: "auto",
    hand: "right",
    name: "",
  };
}

function read() {
  try {
    return { ...defaults(), ...JSON.parse(localStorage.getItem(KEY) ?? "{}") };
  } catch {
    return defaults();
  }
}

const state = read();
const listeners = new Set();

export const settings = {
  get: (name) => state[name],
  /** Locale for numbers and dates: the browser's own when it speaks the chosen language. */
  get locale() {
    const own = navigator.languages?.find((tag) => tag.toLowerCase().startsWith(state.language));
    return own ?? (state.language === "en" ? "en-GB" : state.language);
  },
  /** Units and language as words of an address, for what the rig's computer writes for this reader. */
  get asRead() {
    return `units=${state.units}&language=${state.language}`;
  },
  set(name, value) {
    if (state[name] === value) return;
    state[name] = value;
    try {
      localStorage.setItem(KEY, JSON.stringify(state));
    } catch {
      // a full or forbidden store only means that the choice is forgotten later
    }
    for (const listener of listeners) listener(name, value);
  },
  onChange(listener) {
    listeners.add(listener);
    return () => listeners.delete(listener);
  },
};

function makeId() {
  const bytes = crypto.getRandomValues(new Uint8Array(9));
  return Array.from(bytes, (byte) => byte.toString(36).padStart(2, "0")).join("");
}

export function clientId() {
  let id = sessionStorage.getItem("drumlin.client");
  if (!id) {
    id = makeId();
    sessionStorage.setItem("drumlin.client", id);
  }
  return id;
}
