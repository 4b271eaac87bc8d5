// The page's labels, from the catalogue of the reader's language (catalogue.js); a test keeps the
// catalogues equal. Texts that the rig's computer sends are told by messages.js.

import { catalogue, named } from "./catalogue.js";

const find = (key) => catalogue().page[key];

/** Text for a key, `{name}` filled in. */
export function t(key, values) {
  const text = find(key) ?? key;
  if (!values) return text;
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));
}

/** Text for a key, or the fallback the rig's computer sent. */
export function tOr(key, fallback) {
  return find(key) ?? fallback;
}

/** Lower case within a line, where the language does so. */
export function lower(text) {
  return catalogue().capitals ? text : text.toLowerCase();
}

/** A name of the rig file (front-left, oil-temperature) as a person would write it. */
export function naturalName(name, capital = true) {
  const text = named(name.replace(/[-_]+/g, " "));
  return capital ? text.charAt(0).toUpperCase() + text.slice(1) : text;
}
