// German words for the fault table of the rig's computer: code, then what it says and the next step.
// An unknown code shows as it was sent. Details in brackets are kept.
const ROWS = {
  "link-lost": ["Keine Daten vom Messrechner.", "Kabel und Versorgung prüfen, dann zurücksetzen."],
  "frames-lost": ["Daten vom Messrechner fehlen.", "Kabel und Schirmung prüfen."],
  "front-end-restarted": ["Der Messrechner hat neu gestartet.", "Ursache suchen (Versorgung, Wächter), dann zurücksetzen."],
  "session-lost": ["Jemand anders hat eine Sitzung mit dem Messrechner eröffnet.", "Dafür sorgen, dass nur eine Regelschleife diesen Anschluss benutzt, dann zurücksetzen."],
  "wire-mismatch": ["Der Messrechner passt nicht zur Beschreibung des Prüfstands.", "Firmware und rig.toml vergleichen; die Meldung nennt den Kanal."],
  "set-points-refused": ["Der Messrechner lehnt unsere Sollwerte ab.", "Einzelheit ansehen; kehrt es wieder, Messrechner neu starten und zurücksetzen."],
  "permission-lapsed": ["Der Messrechner hat entlastet, weil Sollwerte zu spät kamen.", "Auslastung des Rechners und Kabel prüfen, dann wieder bereit machen."],
  "clock-jump": ["Die Uhr des Messrechners ist gesprungen.", "Messrechner neu starten, dann zurücksetzen."],
  "loop-late": ["Die Regelschleife stand länger als 0,1 s.", "Andere Arbeit auf diesem Rechner beenden; siehe Zustand der Regelschleife."],
  "host-restarted": ["Die Regelschleife startete unter Last neu.", "Ursache suchen, Fahrzeug prüfen, dann zurücksetzen."],
  "recorder-failed": ["Die Aufzeichnung kann nicht schreiben.", "Speicher frei machen oder Datenträger instand setzen."],
  "disk-full": ["Der Datenträger ist voll: die Prüfung endet geordnet, solange noch aufgezeichnet werden kann.", "Speicher frei machen, dann den Lauf auswerten; er ist vollständig."],
  "disk-low": ["Der Datenträger ist fast voll.", "Vor der nächsten Prüfung Platz schaffen."],
  "stop-chain-open": ["Die Haltekette ist offen.", "Feststellen, wer sie geöffnet hat und warum, schließen, dann zurücksetzen."],
  "tie-downs-open": ["Der Schalter der Verzurrung ist nicht gesetzt.", "Jeden Gurt prüfen, dann den Schalter setzen."],
  "tie-downs-opened": ["Der Schalter der Verzurrung öffnete unter Last.", "Gas weg, zum Stillstand kommen, jeden Gurt prüfen."],
  "helm-expired": ["Niemand hält das Ruder mehr.", "Das Ruder wieder nehmen."],
  "speed-lost": ["Eine Rollengeschwindigkeit fehlt.", "Abstand, Kabel und Kanal des Zahngebers prüfen."],
  "speed-suspect": ["Einer Rollengeschwindigkeit ist nicht zu trauen.", "Zahnrad auf Schmutz und Geber auf Spiel prüfen."],
  "speed-frozen": ["Eine Rollengeschwindigkeit ist eingefroren.", "Zahngeber und Kanal prüfen."],
  "speeds-disagree": ["Die Rollensätze drehen verschieden schnell.", "Reifen, Verteilergetriebe und Stand des Fahrzeugs prüfen."],
  "engine-speed-lost": ["Die Motordrehzahl fehlt.", "Drehzahlgeber prüfen oder die Übersetzung des Gangs lernen."],
  "cell-lost": ["Eine Kraftmesszelle liefert nichts.", "Kabel und Speisung prüfen."],
  "cell-suspect": ["Einer Kraftmesszelle ist nicht zu trauen.", "Bereich, Hebelarm und Kabel prüfen."],
  "cell-noisy": ["Der Wert einer Kraftmesszelle springt umher.", "Kabel, Schirm und Stecker prüfen, und was daneben läuft."],
  "cell-frozen": ["Eine Kraftmesszelle ist eingefroren.", "Wandler und Kabel prüfen."],
  "cell-drifted": ["Eine Kraftmesszelle zeigt Kraft, obwohl nichts sie belastet.", "Nullen; kehrt es wieder, Hebelarm und Zelle prüfen."],
  "current-not-following": ["Eine Stromversorgung folgt ihrem Sollwert nicht.", "Versorgung, Sicherungen und Spule prüfen."],
  "current-stuck-on": ["Eine Spule führt Strom, den niemand verlangt hat.", "Haltekette öffnen und Versorgung prüfen."],
  "absorber-weak": ["Eine Bremse gibt viel weniger Kraft, als sie sollte.", "Abkühlen lassen; Spalt, Spulen und Hebelarm prüfen."],
  "absorber-reversed": ["Die Kraft einer Bremse hat das falsche Vorzeichen.", "arm_sign in rig.toml und Verdrahtung der Zelle prüfen."],
  "rotor-warm": ["Ein Rotor ist heiß.", "Eine Pause einplanen; mehr Last wird nicht gegeben."],
  "rotor-hot": ["Ein Rotor hat seine Grenze erreicht.", "Mit laufenden Lüftern abkühlen lassen."],
  "over-speed": ["Die Rollen drehen zu schnell.", "Gas weg."],
  "over-speed-far": ["Die Rollen drehen viel zu schnell.", "Gas weg und sanft bremsen."],
  "over-force": ["Die Kraft liegt über dem, was der Prüfstand erlaubt.", "Weniger verlangen."],
  "memory-failed": ["Eine Auslösung überstünde keinen Neustart: Das Gedächtnis des Prüfstands ist nicht schreibbar.", "Speicher frei machen oder Datenträger instand setzen; siehe Einzelheit."],
  "service-gone": ["Der Prozess der Bedienseite ist weg; die Regelschleife läuft ohne ihn weiter.", "Er startet von selbst neu; unter Last verfällt das Ruder und es wird entlastet."],
  "calibration-due": ["Die Kalibrierung einer Kraftmesszelle ist nicht gültig.", "Mit Gewichten kalibrieren, Steigung und Datum in rig.toml eintragen."],
  "set-point-beyond-rig": ["Der Sollwert der laufenden Prüfung liegt jenseits des Prüfstands.", "Kleineren Sollwert wählen oder die Übersetzung im Gang der Prüfung neu lernen."],
  "fan-missing": ["Der Lüfter einer Bremse dreht nicht.", "Entlasten, bevor der Rotor heiß wird; Lüfter, Sicherung und Schalter prüfen."],
  "sensor-silent": ["Ein Wetterfühler liefert nichts.", "Fühler oder sein Topic prüfen; oder ihn aus rig.toml nehmen."],
  "weather-out-of-range": ["Ein Wetterwert kann nicht stimmen.", "Fühler und seine Einheit in rig.toml prüfen: Ergebnisse werden damit korrigiert."],
  "tyre-slip": ["Die Reifen rutschen auf den Rollen.", "Gas weg; Gurte, Druck und Profil prüfen; weniger Kraft verlangen."],
  "over-power": ["Die Leistung liegt über dem, was der Prüfstand erlaubt.", "Weniger verlangen."],
};

/** German text and remedy of a fault; null when the code is not known here. */
export function germanFault(code, sent) {
  const row = ROWS[code];
  if (!row) return null;
  const detail = /\(([^)]*)\)\s*$/.exec(sent ?? "");
  return { text: detail ? `${row[0]} (${detail[1]})` : row[0], remedy: row[1] };
}

export const germanFaultCodes = Object.keys(ROWS);
