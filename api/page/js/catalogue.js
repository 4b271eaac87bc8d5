// The catalogue of the reader's language: the page's labels, the sentences of the rig's computer, words,
// names of the rig file, units. One file per language, texts/LANGUAGE.json, as daq/texts/catalogue.py
// describes it; texts/languages.json names them. Whoever imports this waits until the first is there.

import { settings } from "./settings.js";

const ENGLISH = "en";
const EMPTY = { page: {}, messages: {}, words: {}, names: {}, labels: {}, units: {}, capitals: false, decimal: "." };
const catalogues = {};
const coming = {};

/** @returns {Promise<any>} the file, null while the rig's computer is away */
async function fetched(name) {
  try {
    const answer = await fetch(`texts/${name}.json`);
    return answer.ok ? await answer.json() : null;
  } catch {
    return null;
  }
}

/** Fetch the catalogue of the reader's language, once; resolves when `catalogue` has it. */
export async function catalogueReady() {
  const language = settings.get("language");
  coming[language] ??= fetched(language);
  const found = await coming[language];
  if (found) catalogues[language] = found;
  else delete coming[language]; // asked again the next time
}

/** The reader's catalogue; until it came, English where that is there. */
export function catalogue() {
  return catalogues[settings.get("language")] ?? catalogues[ENGLISH] ?? EMPTY;
}

/** What languages there are: their own names by code. */
const [known] = await Promise.all([fetched("languages"), catalogueReady()]);
export const languages = known ?? { [ENGLISH]: "English" };
if (known && !(settings.get("language") in known)) {
  settings.set("language", ENGLISH); // a browser of a language that nobody wrote
  await catalogueReady();
}

const compiled = new Map();

/** A name in the reader's language: words that belong together first, then word by word. */
export function named(text) {
  const { names } = catalogue();
  if (!compiled.has(names)) {
    const together = Object.keys(names).filter((name) => name.includes(" "));
    compiled.set(names, together.length ? new RegExp(`\\b(${together.join("|")})\\b`, "g") : null);
  }
  const whole = compiled.get(names);
  return (whole ? text.replace(whole, (words) => names[words]) : text)
    .split(" ")
    .map((word) => names[word] ?? word)
    .join(" ");
}

const forms = new Map();

/** A label of a result in the reader's language: its parts by their patterns. */
export function relabelled(text) {
  const { labels, decimal } = catalogue();
  if (!forms.has(labels)) {
    forms.set(
      labels,
      Object.entries(labels).map(([pattern, told]) => [new RegExp(pattern, "gi"), told]),
    );
  }
  const told = forms.get(labels).reduce((told, [form, translated]) => told.replace(form, translated), text);
  return told.replace(/(\d)\.(?=\d)/g, `$1${decimal}`);
}
