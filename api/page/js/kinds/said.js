// What the rig's computer says of a running test, in the reader's language and units. It sends
// English sentences with values filled in; the same sentences stand here as patterns, so that the
// values are found again. A sentence that is not known is shown as it came.

import { settings } from "../settings.js";
import { number, toShown, unitOf } from "../units.js";

// English pattern as sent: German sentence
const SENTENCES = {
  "Bring the truck up to {aim} and keep the pedal where the test wants it.": "Auf {aim} fahren und das Pedal da halten, wo die Prüfung es will.",
  "Keep the pedal still; the load is settling.": "Pedal ruhig halten; die Last schwingt ein.",
  "Keep the pedal still.": "Pedal ruhig halten.",
  "Point {point}: {aim}. Keep the pedal where the map wants it.": "Punkt {point}: {aim}. Pedal da halten, wo das Kennfeld es will.",
  "Point {point}: {aim}. Keep the pedal still.": "Punkt {point}: {aim}. Pedal ruhig halten.",
  "Bring the truck to {start} in the gear of the test, pedal light.": "Im Gang der Prüfung auf {start} fahren, wenig Pedal.",
  "Floor it now, and stay on the floor.": "Jetzt Vollgas, und stehen lassen.",
  "Stay on the floor until {stop}.": "Vollgas halten bis {stop}.",
  "Bring the truck to {aim} and ease the pedal to a light {force}.": "Auf {aim} fahren, dann Pedal zurück bis auf leichte {force}.",
  "Keep the pedal still, then floor it at once: NOW.": "Pedal ruhig, dann auf einmal Vollgas: JETZT.",
  "Stay on the floor.": "Vollgas halten.",
  "Drive up to {target} on the level.": "In der Ebene auf {target} fahren.",
  "Hold {target}; floor it when the speed falls.": "{target} halten; Vollgas, wenn es langsamer wird.",
  "Bring the truck to {start} and wait for the count-down.": "Auf {start} bringen und das Zählen abwarten.",
  "The trace begins in a few seconds: {start} now.": "Gleich beginnt die Fahrkurve: jetzt {start}.",
  "Keep inside the band.": "Im Band bleiben.",
  "Drive up to {above}, then neutral and both feet away.": "Auf {above} fahren, dann Leerlauf und beide Füße weg.",
  "Leave it in neutral: no pedal, no brake, until {stop}.": "Im Leerlauf lassen: kein Gas, keine Bremse, bis {stop}.",
  "Keep away from the pedals; the figures are being worked out.": "Weg von den Pedalen; die Werte werden berechnet.",
  "Idle, probe out of the stack: the meter's zero is read.": "Leerlauf, Sonde draußen: die Null des Messgeräts wird gelesen.",
  "Put the probe into the stack. Stay in neutral.": "Sonde ins Auspuffrohr. Im Leerlauf bleiben.",
  "Idle for {idle} before snap {snap}.": "{idle} Standgas vor Gasstoß {snap}.",
  "Snap {snap}: floor it at once, hold to the governor 1 to 4 s, let go.": "Gasstoß {snap}: auf einmal Vollgas, 1 bis 4 s an der Abregelung, loslassen.",
  "Take the probe out of the stack.": "Sonde aus dem Auspuffrohr nehmen.",
  "Idle, probe out: the meter's zero is read again.": "Leerlauf, Sonde draußen: die Null wird noch einmal gelesen.",
  // why a run is void
  "The tyres slipped on the rolls, or the ratio changed.": "Die Reifen rutschten auf den Rollen, oder die Übersetzung änderte sich.",
  "The truck all but stopped on the hill.": "Das Fahrzeug blieb am Berg fast stehen.",
  "The rig could not give the road's force all the time.": "Der Prüfstand konnte die Kraft der Straße nicht immer geben.",
  "The speed rose during the coast.": "Beim Ausrollen wurde es schneller.",
  "The rolls all but stopped under load.": "Die Rollen blieben unter Last fast stehen.",
  "The rolls turned: the truck was not in neutral.": "Die Rollen drehten: das Fahrzeug war nicht im Leerlauf.",
  "No three snaps in a row agreed.": "Keine drei Gasstöße hintereinander stimmten überein.",
  "The pull did not rise and stay.": "Der Zug stieg nicht oder blieb nicht.",
  "The pull at the start speed never became steady.": "Der Zug am Anfang wurde nie ruhig.",
  "The pull fell away: the driver lifted, or the engine was cut.": "Der Zug fiel weg: Gas weggenommen, oder der Motor wurde gedrosselt.",
  "The end speed was never reached.": "Die Enddrehzahl wurde nie erreicht.",
  "Outside the band for more than 2.0 s at once.": "Länger als 2,0 s am Stück außerhalb des Bands.",
  "The absorbers could not give the load.": "Die Bremsen konnten die Last nicht geben.",
  "The absorbers could not hold the speed.": "Die Bremsen konnten die Geschwindigkeit nicht halten.",
  "The absorbers could not take what the rate needed.": "Die Bremsen konnten nicht nehmen, was der Anstieg brauchte.",
  "Ease the pedal: {rotors} is near its heat limit.": "Weniger Gas: {rotors} ist nahe an der Wärmegrenze.",
  "Lift off and let the rotors turn slowly with the fans running.": "Gas weg; Rotoren langsam drehen lassen, die Lüfter laufen.",
  "Point {point} did not settle in {time}.": "Punkt {point} kam in {time} nicht zur Ruhe.",
  "The coast took longer than {time}.": "Das Ausrollen dauerte länger als {time}.",
  "Nobody floored the pedal within {time}.": "Niemand gab innerhalb von {time} Vollgas.",
};

const patterns = Object.entries(SENTENCES).map(([english, german]) => {
  const names = [...english.matchAll(/\{(\w+)\}/g)].map((found) => found[1]);
  const literal = english.split(/\{\w+\}/).map((part) => part.replace(/[.*+?^${}()|[\]\\]/g, "\\$&"));
  return { english, german, names, form: new RegExp(`^${literal.join("(.+?)")}$`) };
});

/** A value as the reader wants it: units of choice, numbers by locale. */
function value(text) {
  const german = settings.get("language") === "de";
  if (text === "standstill") return german ? "Stillstand" : text;
  const parts = /^([\d,.−-]+)\s?(km\/h|rpm|N|s)?$/.exec(text);
  if (!parts) return german ? text.replace(" of ", " von ") : text;
  const figure = Number(parts[1].replaceAll(",", "").replace("−", "-"));
  if (!Number.isFinite(figure)) return text;
  if (parts[2] === "km/h") return `${number(toShown("speed", figure / 3.6), parts[1].includes(".") ? 1 : 0)} ${unitOf("speed")}`;
  if (parts[2] === "N") return `${number(toShown("force", figure))} ${unitOf("force")}`;
  return `${number(figure)}${parts[2] ? ` ${parts[2]}` : ""}`;
}

/** A sentence of a running test in the reader's language and units. */
export function said(text) {
  const whole = (text ?? "").replace(/\u00a0/g, " ").trim();
  for (const { english, german, names, form } of patterns) {
    const found = form.exec(whole);
    if (found) {
      const values = Object.fromEntries(names.map((name, index) => [name, value(found[index + 1])]));
      return (settings.get("language") === "de" ? german : english).replace(/\{(\w+)\}/g, (_, name) => values[name]);
    }
  }
  return whole;
}
