// What the rig's computer says, in German. The key is the English sentence as the program has it,
// the places of its values numbered; js/kinds/said.js finds the values again and puts them in the
// reader's language and units. tests/api/http/test_page_sentences.py names every sentence that is missing.
export const SENTENCES = {
  "Heat limits an absorber.": "Die Wärme begrenzt eine Bremse.",
  "Ease the pedal, or end the test soon.": "Weniger Gas, oder die Prüfung bald beenden.",
  "The absorbers cannot take this load any longer.": "Die Bremsen können diese Last nicht länger nehmen.",
  "Let them cool with the fans running; ask for less, or for pauses.":
    "Mit laufenden Lüftern abkühlen lassen; weniger verlangen, oder Pausen machen.",
  "A rotor cools down from its limit.": "Ein Rotor kühlt von seiner Grenze ab.",
  "Wait until it is below its re-entry temperature; let it turn slowly with its fan.":
    "Warten, bis er unter seiner Wiedereintrittstemperatur ist; langsam mit Lüfter drehen lassen.",
  "A rotor sensor tells what the work does not explain.": "Ein Rotorfühler sagt, was die Arbeit nicht erklärt.",
  "Check its place and sight; until then the heat model alone keeps the rotor safe.":
    "Sitz und Blickfeld prüfen; bis dahin schützt das Wärmemodell allein den Rotor.",
  "A rotor sensor is not usable.": "Ein Rotorfühler ist nicht brauchbar.",
  "Check it; until then the heat model alone keeps the rotor safe, with a wider margin.":
    "Prüfen; bis dahin schützt das Wärmemodell allein den Rotor, mit mehr Abstand.",
  "The front end is silent.": "Keine Daten vom Messrechner.",
  "It takes the load off by itself. Check cable and power, then reset.":
    "Kabel und Versorgung prüfen, dann zurücksetzen.",
  "Many frames from the front end are lost.": "Daten vom Messrechner fehlen.",
  "Check cable, connectors, grounding and other users of the port.": "Kabel und Schirmung prüfen.",
  "The front end restarted.": "Der Messrechner hat neu gestartet.",
  "Find out why (supply, watchdog), then reset.": "Ursache suchen (Versorgung, Wächter), dann zurücksetzen.",
  "Somebody else opened a session with the front end.": "Jemand anders hat eine Sitzung mit dem Messrechner eröffnet.",
  "Make sure one loop only uses this port, then reset.":
    "Dafür sorgen, dass nur eine Regelschleife diesen Anschluss benutzt, dann zurücksetzen.",
  "The front end does not fit the rig file.": "Der Messrechner passt nicht zur Beschreibung des Prüfstands.",
  "Compare firmware and rig.toml; see the message for the channel.":
    "Firmware und rig.toml vergleichen; die Meldung nennt den Kanal.",
  "The front end refuses our set points.": "Der Messrechner lehnt unsere Sollwerte ab.",
  "See the detail; if it returns, restart the front end and reset.":
    "Einzelheit ansehen; kehrt es wieder, Messrechner neu starten und zurücksetzen.",
  "The front end eased off because set points came late.":
    "Der Messrechner hat entlastet, weil Sollwerte zu spät kamen.",
  "Check the computer's load and the cable, then make ready again.":
    "Auslastung des Rechners und Kabel prüfen, dann wieder bereit machen.",
  "The front end's clock jumped.": "Die Uhr des Messrechners ist gesprungen.",
  "Restart the front end, then reset.": "Messrechner neu starten, dann zurücksetzen.",
  "The loop stood still for more than 0.1 s.": "Die Regelschleife stand länger als 0,1 s.",
  "Close other work on this computer; see the loop's health.":
    "Andere Arbeit auf diesem Rechner beenden; siehe Zustand der Regelschleife.",
  "The loop restarted while load was on.": "Die Regelschleife startete unter Last neu.",
  "Find out why it stopped, check the truck, then reset.": "Ursache suchen, Fahrzeug prüfen, dann zurücksetzen.",
  "The recorder cannot write.": "Die Aufzeichnung kann nicht schreiben.",
  "Free disk space or mend the disk.": "Speicher frei machen oder Datenträger instand setzen.",
  "The disk is nearly full.": "Der Datenträger ist fast voll.",
  "Free some space before the next test.": "Vor der nächsten Prüfung Platz schaffen.",
  "The disk is full: the test ends in order while it can still be recorded.":
    "Der Datenträger ist voll: die Prüfung endet geordnet, solange noch aufgezeichnet werden kann.",
  "Free disk space, then evaluate the run; it was closed whole.":
    "Speicher frei machen, dann den Lauf auswerten; er ist vollständig.",
  "A trip would not survive a restart: the rig's memory cannot be written.":
    "Eine Auslösung überstünde keinen Neustart: Das Gedächtnis des Prüfstands ist nicht schreibbar.",
  "Free disk space or mend the disk; see the detail.":
    "Speicher frei machen oder Datenträger instand setzen; siehe Einzelheit.",
  "The page's process is gone; the load loop goes on without it.":
    "Der Prozess der Bedienseite ist weg; die Regelschleife läuft ohne ihn weiter.",
  "It is started again by itself; under load the helm expires and the load eases off.":
    "Er startet von selbst neu; unter Last verfällt das Ruder und es wird entlastet.",
  "A load cell's calibration is not in date.": "Die Kalibrierung einer Kraftmesszelle ist nicht gültig.",
  "Calibrate by dead weight and enter slope and date in rig.toml.":
    "Mit Gewichten kalibrieren, Steigung und Datum in rig.toml eintragen.",
  "The stop chain is open.": "Die Haltekette ist offen.",
  "Find who opened it and why, close it, then reset.":
    "Feststellen, wer sie geöffnet hat und warum, schließen, dann zurücksetzen.",
  "The tie-down switch is not set.": "Der Schalter der Verzurrung ist nicht gesetzt.",
  "Check every strap, then set the switch.": "Jeden Gurt prüfen, dann den Schalter setzen.",
  "The tie-down switch opened under load.": "Der Schalter der Verzurrung öffnete unter Last.",
  "Lift off, come to a stop, check every strap.": "Gas weg, zum Stillstand kommen, jeden Gurt prüfen.",
  "Nobody keeps the helm any more.": "Niemand hält das Ruder mehr.",
  "Take the helm again.": "Das Ruder wieder nehmen.",
  "The running test's set point is beyond the rig.":
    "Der Sollwert der laufenden Prüfung liegt jenseits des Prüfstands.",
  "Choose a lower set point, or learn the ratio again in the gear of the test.":
    "Kleineren Sollwert wählen oder die Übersetzung im Gang der Prüfung neu lernen.",
  "A roll speed is missing.": "Eine Rollengeschwindigkeit fehlt.",
  "Check the tooth sensor's gap, cable and channel. It is believed again once its roll turns.":
    "Abstand, Kabel und Kanal des Zahngebers prüfen. Ihm wird wieder geglaubt, sobald seine Rolle dreht.",
  "A roll speed cannot be trusted.": "Einer Rollengeschwindigkeit ist nicht zu trauen.",
  "Check the tooth wheel for dirt and the sensor for play.": "Zahnrad auf Schmutz und Geber auf Spiel prüfen.",
  "A roll speed is frozen.": "Eine Rollengeschwindigkeit ist eingefroren.",
  "Check the tooth sensor and its channel.": "Zahngeber und Kanal prüfen.",
  "The roll sets turn at different speeds.": "Die Rollensätze drehen verschieden schnell.",
  "Check tyres, transfer case and the truck's position.": "Reifen, Verteilergetriebe und Stand des Fahrzeugs prüfen.",
  "Engine speed is missing.": "Die Motordrehzahl fehlt.",
  "Check the pickup, or learn the ratio of the gear.": "Drehzahlgeber prüfen oder die Übersetzung des Gangs lernen.",
  "A load cell gives no reading.": "Eine Kraftmesszelle liefert nichts.",
  "Check its cable and excitation.": "Kabel und Speisung prüfen.",
  "A load cell cannot be trusted.": "Einer Kraftmesszelle ist nicht zu trauen.",
  "Check range, arm and cable.": "Bereich, Hebelarm und Kabel prüfen.",
  "A load cell's reading jumps about.": "Der Wert einer Kraftmesszelle springt umher.",
  "Check its cable, shield and plug, and what runs beside it.":
    "Kabel, Schirm und Stecker prüfen, und was daneben läuft.",
  "A load cell is frozen.": "Eine Kraftmesszelle ist eingefroren.",
  "Check the converter and its cable.": "Wandler und Kabel prüfen.",
  "A load cell shows force although nothing loads it.": "Eine Kraftmesszelle zeigt Kraft, obwohl nichts sie belastet.",
  "Take zeros; if it returns, check arm and cell.": "Nullen; kehrt es wieder, Hebelarm und Zelle prüfen.",
  "A supply does not follow its set point.": "Eine Stromversorgung folgt ihrem Sollwert nicht.",
  "Check the supply, its fuses and the coil.": "Versorgung, Sicherungen und Spule prüfen.",
  "A coil carries current that nobody asked for.": "Eine Spule führt Strom, den niemand verlangt hat.",
  "Open the stop chain and check the supply.": "Haltekette öffnen und Versorgung prüfen.",
  "An absorber gives far less force than it should.": "Eine Bremse gibt viel weniger Kraft, als sie sollte.",
  "Let it cool; check gap, coils and arm.": "Abkühlen lassen; Spalt, Spulen und Hebelarm prüfen.",
  "An absorber's force has the wrong sign.": "Die Kraft einer Bremse hat das falsche Vorzeichen.",
  "Check arm_sign in rig.toml and the cell's wiring.": "arm_sign in rig.toml und Verdrahtung der Zelle prüfen.",
  "A rotor is hot.": "Ein Rotor ist heiß.",
  "Plan a pause; load moves to cooler absorbers.": "Eine Pause einplanen; mehr Last wird nicht gegeben.",
  "A rotor has reached its limit.": "Ein Rotor hat seine Grenze erreicht.",
  "Let it cool with the fans running.": "Mit laufenden Lüftern abkühlen lassen.",
  "An absorber's fan does not turn.": "Der Lüfter einer Bremse dreht nicht.",
  "Ease off before the rotor gets hot; check fan, fuse and switch.":
    "Entlasten, bevor der Rotor heiß wird; Lüfter, Sicherung und Schalter prüfen.",
  "A weather sensor gives no value.": "Ein Wetterfühler liefert nichts.",
  "Check the sensor or its topic; or take it out of rig.toml.":
    "Fühler oder sein Topic prüfen; oder ihn aus rig.toml nehmen.",
  "A weather reading cannot be right.": "Ein Wetterwert kann nicht stimmen.",
  "Check the sensor and its unit in rig.toml: results are corrected by it.":
    "Fühler und seine Einheit in rig.toml prüfen: Ergebnisse werden damit korrigiert.",
  "The tyres slip on the rolls.": "Die Reifen rutschen auf den Rollen.",
  "Lift off; check straps, pressure and tread; ask for less force.":
    "Gas weg; Gurte, Druck und Profil prüfen; weniger Kraft verlangen.",
  "The rolls turn too fast.": "Die Rollen drehen zu schnell.",
  "Lift off the pedal.": "Gas weg.",
  "The rolls turn far too fast.": "Die Rollen drehen viel zu schnell.",
  "Lift off and brake gently.": "Gas weg und sanft bremsen.",
  "The force is above what the rig allows.": "Die Kraft liegt über dem, was der Prüfstand erlaubt.",
  "Ask for less.": "Weniger verlangen.",
  "The power is above what the rig allows.": "Die Leistung liegt über dem, was der Prüfstand erlaubt.",
  "Wait {0} s more since the last run.": "Noch {0} s warten seit dem letzten Lauf.",
  "Fit set-up {0}, then go on.": "Umbau {0} einbauen, dann weiter.",
  "Conditions did not become alike.": "Die Bedingungen wurden nicht gleich.",
  "The temperature of the {0} is not measured now.": "Die Temperatur von {0} wird jetzt nicht gemessen.",
  "{0} runs were void.": "{0} Läufe zählten nicht.",
  "The {0} is at {1} degC; the first run began at {2} degC (within {3} K).":
    "{0} ist bei {1} °C; der erste Lauf begann bei {2} °C (erlaubt sind {3} K).",
  "Front end: {0}.": "Messrechner: {0}.",
  "Tyres slip on the rolls.": "Die Reifen rutschen auf den Rollen.",
  "The tyres no longer slip.": "Die Reifen rutschen nicht mehr.",
  "The helm expired: no heartbeat from its holder.": "Das Ruder ist verfallen: kein Lebenszeichen von dort.",
  "Front end {0} greeted.": "Messrechner {0} hat sich gemeldet.",
  "The gate cut: {0}.": "Das Sperrglied hat gekürzt: {0}.",
  "{0} limits after {1} min of {2} min.": "{0} begrenzt nach {1} min von {2} min.",
  "The rig can run this by heat: hottest rotor about {0} degC.": "Die Wärme lässt es zu: heißester Rotor etwa {0} °C.",
  "The absorbers cannot take this power at this speed (after {0} s of {1} s).":
    "Die Bremsen können diese Leistung bei dieser Geschwindigkeit nicht nehmen (nach {0} s von {1} s).",
  "The plan's work is not finite.": "Die Arbeit des Plans ist keine endliche Zahl.",
  "Check its numbers.": "Die Zahlen prüfen.",
  "The plan is longer than a day.": "Der Plan ist länger als ein Tag.",
  "Split it.": "Teilen.",
  "Stop after {0} min.": "Nach {0} min aufhören.",
  "With at most {0} kW it can be run to the end.": "Mit höchstens {0} kW geht es bis zum Ende.",
  "In a gear that turns the rolls faster: the same power from {0} km/h on.":
    "In einem Gang, der die Rollen schneller dreht: dieselbe Leistung ab {0} km/h.",
  "At the same force, no faster than {0} km/h.": "Bei gleicher Kraft nicht schneller als {0} km/h.",
  "Cool for {0} min first.": "Erst {0} min abkühlen.",
  "In {0} parts with {1} min of cooling between them.": "In {0} Teilen mit je {1} min Abkühlen dazwischen.",
  "Ease the pedal: {0} is near its heat limit.": "Weniger Gas: {0} ist nahe an der Wärmegrenze.",
  "Lift off and let the rotors turn slowly with the fans running.":
    "Gas weg; Rotoren langsam drehen lassen, die Lüfter laufen.",
  "{0}: {1} h turned since the last service, due every {2} h.":
    "{0}: {1} h gedreht seit der letzten Wartung, fällig alle {2} h.",
  "{0}: {1} GJ absorbed since the last service, due every {2} GJ.":
    "{0}: {1} GJ aufgenommen seit der letzten Wartung, fällig alle {2} GJ.",
  "{0}: {1} h above the warning temperature: look at rotor, gap and bearings.":
    "{0}: {1} h über der Warntemperatur: Rotor, Spalt und Lager ansehen.",
  "{0}: {1} s above its limit so far: look for cracks and a narrowed gap before hard work.":
    "{0}: bisher {1} s über der Grenze: vor harter Arbeit nach Rissen und engerem Spalt sehen.",
  "{0}: torque {1} down over {2} days: check gap, coils and supply.":
    "{0}: Drehmoment in {2} Tagen um {1} gefallen: Spalt, Spulen und Versorgung prüfen.",
  "{0} is at the helm, not you.": "{0} hat das Ruder, nicht Sie.",
  "Ask for the helm; the holder can offer it to you.": "Um das Ruder bitten; wer es hat, kann es übergeben.",
  "The helm needs a holder.": "Zum Ruder gehört jemand, der es hält.",
  "Send your client's id with it.": "Die Kennung des Geräts mitschicken.",
  "{0} is at the helm.": "{0} hat das Ruder.",
  "The helm is free.": "Das Ruder ist frei.",
  "Take it.": "Nehmen Sie es.",
  "You are at the helm already.": "Sie haben das Ruder schon.",
  "Nothing to do.": "Es ist nichts zu tun.",
  "'{0}' has not asked for the helm.": "{0} hat nicht um das Ruder gebeten.",
  "They must ask first; then offer it again.": "Erst muss darum gebeten werden; dann noch einmal anbieten.",
  "Nobody is at the helm.": "Niemand hat das Ruder.",
  "Take the helm first.": "Erst das Ruder nehmen.",
  "Only {0} frames of {1} can be used.": "Nur {0} Datensätze von {1} sind brauchbar.",
  "Coast from a higher speed, with the cell and the speed in order.":
    "Aus höherer Geschwindigkeit ausrollen, mit heiler Zelle und heilem Zahngeber.",
  "A number of the plan is not usable.": "Eine Zahl des Plans ist nicht brauchbar.",
  "Use finite numbers only.": "Nur endliche Zahlen verwenden.",
  "Settling takes the whole hold.": "Das Einschwingen dauert so lange wie die Prüfung.",
  "Make seconds longer than settle_s.": "Die Zeit länger machen als das Einschwingen.",
  "No engine speed is measured, and in neutral no ratio can stand in.":
    "Es wird keine Motordrehzahl gemessen, und im Leerlauf kann keine Übersetzung sie ersetzen.",
  "Connect a pickup.": "Drehzahlgeber anschließen.",
  "There is no engine speed to hold.": "Es gibt keine Motordrehzahl zu halten.",
  "Connect a pickup, or drive in the gear of the test and learn the ratio.":
    "Drehzahlgeber anschließen, oder im Gang der Prüfung fahren und die Übersetzung lernen.",
  "The plan asks for the temperature of the {0}, which is not measured.":
    "Der Plan verlangt die Temperatur von {0}; sie wird nicht gemessen.",
  "Connect the sensor, or leave the condition out.": "Fühler anschließen oder die Bedingung weglassen.",
  "The {0} is at {1} degC; the plan begins {2} {3} degC.": "{0} ist bei {1} °C; der Plan beginnt {2} {3} °C.",
  "Warm up first.": "Erst warmfahren.",
  "Let it cool first.": "Erst abkühlen lassen.",
  "The test is complete.": "Die Prüfung ist zu Ende.",
  "{0} m/s is beyond the rig's {1} m/s (2 % kept free).":
    "{0} m/s liegen jenseits der {1} m/s des Prüfstands (2 % bleiben frei).",
  "Choose a lower set point or a lower gear.": "Kleineren Sollwert oder kleineren Gang wählen.",
  "{0} m/s is too slow: an eddy-current brake holds little near standstill.":
    "{0} m/s sind zu langsam: eine Wirbelstrombremse hält nahe dem Stillstand wenig.",
  "Hold at {0} m/s or more.": "Bei {0} m/s oder mehr halten.",
  "{0} N is beyond the rig's {1} N.": "{0} N liegen jenseits der {1} N des Prüfstands.",
  "Choose a smaller force.": "Kleinere Kraft wählen.",
  "{0} kW is beyond the rig's {1} kW.": "{0} kW liegen jenseits der {1} kW des Prüfstands.",
  "Choose less power.": "Weniger Leistung wählen.",
  "A {0} has no set point to adjust.": "Diese Prüfung ({0}) hat keinen Sollwert zum Verstellen.",
  "Ease off and start a changed plan.": "Entlasten und einen geänderten Plan starten.",
  "The tyres slipped on the rolls, or the ratio changed.":
    "Die Reifen rutschten auf den Rollen, oder die Übersetzung änderte sich.",
  "A fault kept the load from rising while the road asked for it.":
    "Eine Störung hielt die Last fest, während die Straße mehr verlangte.",
  "Drive up to {0} on the level.": "In der Ebene auf {0} fahren.",
  "Hold {0}; floor it when the speed falls.": "{0} halten; Vollgas, wenn es langsamer wird.",
  "The climb has no end.": "Der Berg hat kein Ende.",
  "Give seconds or distance_m, or a route.": "Zeit oder Länge angeben, oder eine Strecke.",
  "The truck all but stopped on the hill.": "Das Fahrzeug blieb am Berg fast stehen.",
  "The rig could not give the road's force all the time.":
    "Der Prüfstand konnte die Kraft der Straße nicht immer geben.",
  "A coast goes from fast to slow.": "Ausrollen geht von schnell nach langsam.",
  "Make to_mps smaller.": "Die Endgeschwindigkeit kleiner machen.",
  "The coast has two loads.": "Das Ausrollen hat zweierlei Last.",
  "Give force_n or vehicle, or neither.": "Kraft oder Fahrwiderstand angeben, oder keines von beiden.",
  "Drive up to {0}, then neutral and both feet away.": "Auf {0} fahren, dann Leerlauf und beide Füße weg.",
  "Leave it in neutral: no pedal, no brake, until {0}.": "Im Leerlauf lassen: kein Gas, keine Bremse, bis {0}.",
  "The speed rose during the coast.": "Beim Ausrollen wurde es schneller.",
  "The coast took longer than {0} s.": "Das Ausrollen dauerte länger als {0} s.",
  "The coast took too long.": "Das Ausrollen dauerte zu lange.",
  "The absorbers could not give the load.": "Die Bremsen konnten die Last nicht geben.",
  "A steady hold needs one set point, not {0}.": "Ein Halten braucht einen Sollwert, nicht {0}.",
  "Give exactly one of rpm, speed_mps, force_n and power_w.":
    "Genau eines angeben: Drehzahl, Geschwindigkeit, Kraft oder Leistung.",
  "Bring the truck up to {0} and keep the pedal where the test wants it.":
    "Auf {0} fahren und das Pedal da halten, wo die Prüfung es will.",
  "Keep the pedal still; the load is settling.": "Pedal ruhig halten; die Last schwingt ein.",
  "Keep the pedal still.": "Pedal ruhig halten.",
  "'{0}' cannot be held.": "„{0}“ kann nicht gehalten werden.",
  "Use one of: {0}.": "Eines davon nehmen: {0}.",
  "That set point is not usable.": "Dieser Sollwert ist nicht brauchbar.",
  "Give a positive number.": "Eine Zahl größer als null angeben.",
  "A rotor is about to reach its limit: the hold ends here.":
    "Ein Rotor erreicht gleich seine Grenze: hier endet das Halten.",
  "The absorbers gave all they have for a minute and did not reach the set point.":
    "Die Bremsen gaben eine Minute lang alles und erreichten den Sollwert nicht.",
  "The rolls all but stopped under load.": "Die Rollen blieben unter Last fast stehen.",
  "Connect a pickup, or learn the ratio first.": "Drehzahlgeber anschließen oder erst die Übersetzung lernen.",
  "Keep away from the pedals; the figures are being worked out.": "Weg von den Pedalen; die Werte werden berechnet.",
  "The coast is too short to tell speed from current.":
    "Das Ausrollen ist zu kurz, um Geschwindigkeit und Strom zu trennen.",
  "Make to_mps at most seven tenths of from_mps.":
    "Die Endgeschwindigkeit höchstens sieben Zehntel der Anfangsgeschwindigkeit.",
  "The {0} has fewer than two points.": "{0} hat weniger als zwei Punkte.",
  "Give the whole course.": "Den ganzen Verlauf angeben.",
  "The route '{0}' has not been read.": "Die Strecke „{0}“ ist nicht gelesen worden.",
  "Give its points as by_distance; files are read where plans are read.":
    "Ihre Punkte angeben; Dateien werden da gelesen, wo Pläne gelesen werden.",
  "The grade is not given, or given twice.": "Die Steigung fehlt oder ist doppelt angegeben.",
  "Give exactly one of percent, by_time, by_distance and file.":
    "Genau eines angeben: Prozent, über der Zeit, über dem Weg oder eine Datei.",
  "Point {0} of the {1} is not a number.": "Punkt {0} von {1} ist keine Zahl.",
  "Mend or remove it.": "Berichtigen oder weglassen.",
  "The {0} goes back at point {1}.": "{0} geht bei Punkt {1} rückwärts.",
  "Sort the points; no doubles.": "Punkte ordnen; keiner doppelt.",
  "The rig has no smoke meter.": "Der Prüfstand hat kein Trübungsmessgerät.",
  'Add a slow channel with meaning "smoke-opacity" to rig.toml.':
    "In rig.toml einen langsamen Kanal mit der Bedeutung „smoke-opacity“ anlegen.",
  "Idle, probe out of the stack: the meter's zero is read.":
    "Leerlauf, Sonde draußen: die Null des Messgeräts wird gelesen.",
  "Put the probe into the stack. Stay in neutral.": "Sonde ins Auspuffrohr. Im Leerlauf bleiben.",
  "Idle for {0} before snap {1}.": "{0} Standgas vor Gasstoß {1}.",
  "Snap {0}: floor it at once, hold to the governor 1 to 4 s, let go.":
    "Gasstoß {0}: auf einmal Vollgas, 1 bis 4 s an der Abregelung, loslassen.",
  "Take the probe out of the stack.": "Sonde aus dem Auspuffrohr nehmen.",
  "Idle, probe out: the meter's zero is read again.": "Leerlauf, Sonde draußen: die Null wird noch einmal gelesen.",
  "The rolls turned: the truck was not in neutral.": "Die Rollen drehten: das Fahrzeug war nicht im Leerlauf.",
  "No three snaps in a row agreed.": "Keine drei Gasstöße hintereinander stimmten überein.",
  "The meter's zero moved by {0} points.": "Die Null des Messgeräts wanderte um {0} Punkte.",
  "A spool-up begins at one speed.": "Ein Anstieg beginnt bei einer Geschwindigkeit.",
  "Give either rpm or speed_mps.": "Entweder Drehzahl oder Geschwindigkeit angeben.",
  "Bring the truck to {0} and ease the pedal to a light {1}.": "Auf {0} fahren, dann Pedal zurück bis auf leichte {1}.",
  "Keep the pedal still, then floor it at once: NOW.": "Pedal ruhig, dann auf einmal Vollgas: JETZT.",
  "Stay on the floor.": "Vollgas halten.",
  "The absorbers could not hold the speed.": "Die Bremsen konnten die Geschwindigkeit nicht halten.",
  "The pull did not rise and stay.": "Der Zug stieg nicht oder blieb nicht.",
  "Nobody floored the pedal within {0} s.": "Niemand gab innerhalb von {0} s Vollgas.",
  "Nobody floored the pedal.": "Niemand gab Vollgas.",
  "A stepped map needs its points either in rpm or in m/s.":
    "Ein Kennfeld braucht seine Punkte entweder als Drehzahl oder als Geschwindigkeit.",
  "Give points_rpm or points_mps, not both.": "Nur eines von beiden angeben.",
  "Point {0}: {1}. Keep the pedal where the map wants it.": "Punkt {0}: {1}. Pedal da halten, wo das Kennfeld es will.",
  "Point {0}: {1}. Keep the pedal still.": "Punkt {0}: {1}. Pedal ruhig halten.",
  "Point {0} did not settle in {1} s.": "Punkt {0} kam in {1} s nicht zur Ruhe.",
  "A sweep needs where from, where to and how fast, all in rpm or all in m/s.":
    "Eine Leistungskurve braucht Anfang, Ende und Anstieg, alles als Drehzahl oder alles als Geschwindigkeit.",
  "Give from_rpm, to_rpm, rpm_per_s, or from_mps, to_mps, mps_per_s.":
    "Anfang, Ende und Anstieg in einer Einheit angeben.",
  "The sweep is over within a second.": "Die Leistungskurve ist in weniger als einer Sekunde vorbei.",
  "Sweep further or slower.": "Weiter oder langsamer hochfahren.",
  "The absorbers could not take what the rate needed.": "Die Bremsen konnten nicht nehmen, was der Anstieg brauchte.",
  "Bring the truck to {0} in the gear of the test, pedal light.": "Im Gang der Prüfung auf {0} fahren, wenig Pedal.",
  "Floor it now, and stay on the floor.": "Jetzt Vollgas, und stehen lassen.",
  "Stay on the floor until {0}.": "Vollgas halten bis {0}.",
  "The pull at the start speed never became steady.": "Der Zug am Anfang wurde nie ruhig.",
  "The pull fell away: the driver lifted, or the engine was cut.":
    "Der Zug fiel weg: Gas weggenommen, oder der Motor wurde gedrosselt.",
  "The sweep took {0} s, not {1} s.": "Das Hochfahren dauerte {0} s statt {1} s.",
  "The end speed was never reached.": "Die Enddrehzahl wurde nie erreicht.",
  "The trace '{0}' has not been read.": "Die Fahrkurve „{0}“ ist nicht gelesen worden.",
  "No trace.": "Keine Fahrkurve.",
  "Give points; files are read where plans are read.":
    "Punkte angeben; Dateien werden da gelesen, wo Pläne gelesen werden.",
  "The trace is longer than {0} h.": "Die Fahrkurve ist länger als {0} h.",
  "Point {0} of the trace asks for {1} m/s; this rig turns 0 to {2} m/s.":
    "Punkt {0} der Fahrkurve verlangt {1} m/s; dieser Prüfstand dreht 0 bis {2} m/s.",
  "Use another trace.": "Eine andere Fahrkurve nehmen.",
  "Bring the truck to {0} and wait for the count-down.": "Auf {0} bringen und das Zählen abwarten.",
  "The trace begins in a few seconds: {0} now.": "Gleich beginnt die Fahrkurve: jetzt {0}.",
  "Keep inside the band.": "Im Band bleiben.",
  "Outside the band for more than 2.0 s at once.": "Länger als 2,0 s am Stück außerhalb des Bands.",
  "The rig is not parked.": "Der Prüfstand ist nicht geparkt.",
  "Ease off and park first.": "Erst entlasten und parken.",
  "{0} released the helm.": "{0} hat das Ruder losgelassen.",
  "{0} asks for the helm.": "{0} bittet um das Ruder.",
  "{0} handed the helm to {1}.": "{0} hat das Ruder an {1} übergeben.",
  "{0} acknowledged the cautions.": "{0} hat die Warnhinweise bestätigt.",
  "Ratio learned.": "Übersetzung gelernt.",
  "The rig is {0}, not {1}.": "Der Prüfstand ist {0}, nicht {1}.",
  "Set point adjusted.": "Sollwert verstellt.",
  "{0} took the helm.": "{0} hat das Ruder genommen.",
  "The load is on.": "Die Last liegt an.",
  "Ease off first, or hand the helm to somebody who asks.":
    "Erst entlasten, oder das Ruder jemandem übergeben, der darum bittet.",
  "Check the link first.": "Erst die Verbindung prüfen.",
  "A coil carries current.": "Eine Spule führt Strom.",
  "Wait until it is off.": "Warten, bis er aus ist.",
  "Zeros are being taken.": "Nullen werden gerade genommen.",
  "Wait for them.": "Darauf warten.",
  "Check cable, power and port.": "Kabel, Speisung und Anschluss prüfen.",
  "The speed of the rolls is not known yet.": "Die Geschwindigkeit der Rollen ist noch nicht bekannt.",
  "Wait a second.": "Eine Sekunde warten.",
  "No zero has been taken for {0}.": "Für {0} ist noch keine Null genommen.",
  "Take zeros with the rolls standing still.": "Nullen nehmen, während die Rollen stehen.",
  "The cautions are not acknowledged.": "Die Warnhinweise sind nicht bestätigt.",
  "Check straps, people and exhaust extraction, then acknowledge.":
    "Gurte, Menschen und Absaugung prüfen, dann bestätigen.",
  "Nothing has tripped.": "Nichts hat ausgelöst.",
  "A coil still carries current.": "Eine Spule führt noch Strom.",
  "Engine speed is not measured now.": "Die Motordrehzahl wird jetzt nicht gemessen.",
  "Connect a pickup or channel.": "Drehzahlgeber oder Kanal anschließen.",
  "The rolls are too slow to learn a ratio.": "Die Rollen sind zu langsam, um eine Übersetzung zu lernen.",
  "Drive at 2 m/s or more in the gear of the test, converter locked.":
    "Mit 2 m/s oder mehr im Gang der Prüfung fahren, Wandler überbrückt.",
  "The tyres pull with {0} N and creep on the rolls.": "Die Reifen ziehen mit {0} N und kriechen auf den Rollen.",
  "Learn the ratio at light load: pedal just enough to keep the speed, load off.":
    "Die Übersetzung bei leichter Last lernen: gerade so viel Pedal, dass die Geschwindigkeit bleibt, keine Last.",
  "Send the value again later.": "Den Wert später noch einmal schicken.",
  "Make ready first.": "Erst bereit machen.",
  "Start a test, or park.": "Eine Prüfung starten oder parken.",
  "Ease off first.": "Erst entlasten.",
  "Wait until the load is off.": "Warten, bis die Last weg ist.",
  "Remove the cause and reset the trip.": "Ursache beseitigen und zurücksetzen.",
  "The run has no id.": "Der Lauf hat keine Kennung.",
  "Give one.": "Eine angeben.",
  "The test is of '{0}', but '{1}' was acknowledged on the rolls.":
    "Die Prüfung gilt „{0}“, bestätigt auf den Rollen wurde aber „{1}“.",
  "Choose the vehicle that stands there, or park and acknowledge again.":
    "Das Fahrzeug wählen, das dort steht, oder parken und neu bestätigen.",
  "No test is running.": "Es läuft keine Prüfung.",
  "Start one first.": "Erst eine starten.",
  "Eased off by {0}.": "Entlastet von {0}.",
  "It is not known yet that roll set '{0}' stands.": "Noch ist nicht bekannt, ob Rollensatz „{0}“ steht.",
  "Wait two seconds with the rolls at rest.": "Zwei Sekunden warten, während die Rollen stehen.",
  "Roll set '{0}' is turning.": "Rollensatz „{0}“ dreht sich.",
  "Stop the rolls: even without current a turning rotor drags.":
    "Rollen anhalten: auch ohne Strom bremst ein drehender Rotor.",
  "A road-load number is not finite.": "Eine Zahl des Fahrwiderstands ist nicht endlich.",
  "Give all coefficients and masses.": "Alle Koeffizienten und Massen angeben.",
  "A mass of {0} kg cannot be right.": "Eine Masse von {0} kg kann nicht stimmen.",
  "Give the mass as driven, in kilograms, above 0 and at most 100,000.":
    "Die Masse im Fahrzustand angeben, in Kilogramm, über 0 und höchstens 100 000.",
  "An effective mass of {0} kg does not fit a mass of {1} kg.":
    "Eine wirksame Masse von {0} kg passt nicht zu einer Masse von {1} kg.",
  "It is the mass plus rotating parts, about 57 kg for each tyre.":
    "Sie ist die Masse mit den drehenden Teilen, je Reifen etwa 57 kg mehr.",
  "The coefficients give {0} N at {1} m/s, a vehicle that speeds up by itself.":
    "Die Koeffizienten geben {0} N bei {1} m/s: das Fahrzeug würde von selbst schneller.",
  "Check the signs and the units of B and C.": "Vorzeichen und Einheiten von B und C prüfen.",
  "The coefficients give {0} N at {1} m/s, more than the vehicle weighs.":
    "Die Koeffizienten geben {0} N bei {1} m/s, mehr als das Fahrzeug wiegt.",
  "Check the units of B and C: they are per m/s here, not per km/h or mph.":
    "Einheiten von B und C prüfen: hier gelten sie je m/s, nicht je km/h oder mph.",
  "A grade of {0} % cannot be a road.": "Eine Steigung von {0} % kann keine Straße sein.",
  "Give percent (rise over run) between -{0} and {1}.": "Prozent (Höhe durch Länge) zwischen -{0} und {1} angeben.",
  "The name holds control characters.": "Der Name enthält Steuerzeichen.",
  "The body is not declared as a file.": "Was kam, ist nicht als Datei bezeichnet.",
  "Send the route file itself with Content-Type: {0}.": "Die Streckendatei selbst senden, mit Content-Type: {0}.",
  "The route file is not text in UTF-8.": "Die Streckendatei ist kein Text in UTF-8.",
  "Export it again as CSV or GPX.": "Noch einmal als CSV oder GPX ausgeben.",
  "The route has no length.": "Die Strecke hat keine Länge.",
  "{0}: it is larger than 20 MB.": "{0}: größer als 20 MB.",
  "{0}: the first line does not name distance and either elevation or grade.":
    "{0}: die erste Zeile nennt nicht Weg und entweder Höhe oder Steigung.",
  "{0}: line {1} has a gap or is not numbers.": "{0}: Zeile {1} hat eine Lücke oder keine Zahlen.",
  "{0}: line {1} is not finite.": "{0}: Zeile {1} ist nicht endlich.",
  "{0}: it declares entities, which a route needs not.":
    "{0}: die Datei vereinbart Ersetzungen, die eine Strecke nicht braucht.",
  "{0}: it is not readable XML ({1}).": "{0}: kein lesbares XML ({1}).",
  "{0}: it has no track.": "{0}: die Datei hat keine Spur.",
  "{0}: it is not readable CSV ({1}).": "{0}: kein lesbares CSV ({1}).",
  "{0}: it is longer than any road.": "{0}: länger als jede Straße.",
  "Check the unit of the distance.": "Die Einheit der Strecke prüfen.",
  "{0}: point {1} lacks a place or a height.": "{0}: Punkt {1} hat keinen Ort oder keine Höhe.",
  "{0}: point {1} is not on this earth.": "{0}: Punkt {1} liegt nicht auf dieser Erde.",
  "{0}: it has fewer than two points.": "{0}: weniger als zwei Punkte.",
  "{0}: distance does not rise at point {1}.": "{0}: der Weg wächst nicht bei Punkt {1}.",
  "{0}: there is a gap of {1} km before point {2}.": "{0}: vor Punkt {2} fehlen {1} km.",
  "{0}: it climbs {1} m within {2} m at {3} m.": "{0}: bei {3} m steigt die Strecke {1} m auf {2} m.",
  "{0}: a grade of {1} % at {2} m cannot be a road.": "{0}: {1} % Steigung bei {2} m kann keine Straße sein.",
  "{0}: it has more than {1} points.": "{0}: mehr als {1} Punkte.",
  "Thin it out.": "Ausdünnen.",
  "Use one of {0} and one of {1} (grade is a ratio).":
    "Eines von {0} und eines von {1} verwenden (Steigung als Verhältnis).",
  "Remove them.": "Weglassen.",
  "Export a GPX file with track points.": "Eine GPX-Datei mit Spurpunkten ausgeben.",
  "Give the whole route.": "Die ganze Strecke angeben.",
  "Fill or remove that line.": "Diese Zeile ausfüllen oder weglassen.",
  "Export it again.": "Noch einmal ausgeben.",
  "Fill the gap or cut the route there.": "Die Lücke füllen oder die Strecke dort teilen.",
  "Roads stay within {0} %; check units and heights.":
    "Straßen bleiben innerhalb von {0} %; Einheiten und Höhen prüfen.",
  "Use a track with heights.": "Eine Spur mit Höhen verwenden.",
  "Check the units of distance and elevation.": "Einheiten von Weg und Höhe prüfen.",
  "Run {0} started.": "Lauf {0} hat begonnen.",
  "Absorbers identified.": "Bremsen identifiziert.",
  "Nothing is known of the heat of this kind of test.": "Von der Wärme dieser Prüfart ist nichts bekannt.",
  "Rehearse it.": "Proben.",
  "The plan goes by engine speed and the gear is not known.":
    "Der Plan geht nach der Motordrehzahl, und der Gang ist nicht bekannt.",
  "Learn the ratio, or say ratio_per_m or speed_mps.":
    "Übersetzung lernen, oder Übersetzung oder Rollengeschwindigkeit angeben.",
  "The plan leaves the power to the truck.": "Der Plan überlässt die Leistung dem Fahrzeug.",
  "Say what wheel power to expect (power_w).": "Sagen, welche Radleistung zu erwarten ist.",
  "The plan does not say how fast the rolls turn.": "Der Plan sagt nicht, wie schnell die Rollen drehen.",
  "Say what roll speed to expect (speed_mps).": "Sagen, welche Rollengeschwindigkeit zu erwarten ist.",
  "The trace is empty.": "Die Fahrkurve ist leer.",
  "Give its points.": "Ihre Punkte angeben.",
  "The sweep is not complete.": "Die Leistungskurve ist nicht vollständig.",
  "Give from, to and rate.": "Anfang, Ende und Anstieg angeben.",
  "The climb has no length.": "Der Berg hat keine Länge.",
  "Give seconds or distance_m.": "Zeit oder Länge angeben.",
  "Load-cell zeros taken.": "Nullen der Kraftmesszellen genommen.",
  "Sign in with a token, or pair this device by a code.":
    "Mit einem Schlüssel anmelden, oder dieses Gerät mit einem Code koppeln.",
  "Too many wrong tokens or codes from here.": "Von hier kamen zu viele falsche Schlüssel oder Codes.",
  "Wait {0} s, then try the right one.": "{0} s warten, dann den richtigen versuchen.",
  "The Drumlin-Client header is not usable.": "Die Kennung dieses Geräts ist nicht brauchbar.",
  "Send 4 to 64 letters, digits, dashes or underscores, the same in every request.":
    "4 bis 64 Buchstaben, Ziffern, Striche oder Unterstriche schicken, in jeder Anfrage dieselben.",
  "'{0}' may {1}; this needs {2}.": "Für „{0}“ gilt: {1}; hierfür braucht es: {2}.",
  "Ask whoever maintains the rig for a token with the role {0}.":
    "Wer den Prüfstand verwaltet, kann einen Schlüssel mit dieser Rolle geben: {0}.",
  "{0} pairing codes are open.": "{0} Codes zum Koppeln sind offen.",
  "Use one of them, or wait {0} minutes.": "Einen davon verwenden oder {0} Minuten warten.",
  "That code is not known, was used, or has expired.":
    "Dieser Code ist nicht bekannt, schon verwendet oder abgelaufen.",
  "Make a new one on a device that maintains the rig.":
    "Einen neuen machen auf einem Gerät, das den Prüfstand verwaltet.",
  "This needs a token.": "Hierfür braucht es einen Schlüssel.",
  "That token is not known or was revoked.": "Dieser Schlüssel ist nicht bekannt oder wurde entzogen.",
  "No token exists yet, so only this computer itself is served.":
    "Es gibt noch keinen Schlüssel: nur dieser Rechner selbst wird eingelassen.",
  "Run {0} is on both sides.": "Lauf {0} steht auf beiden Seiten.",
  "Name each run once.": "Jeden Lauf einmal nennen.",
  "The runs are of different kinds: {0}.": "Die Läufe sind von verschiedener Art: {0}.",
  "Compare runs of one kind and one plan.": "Läufe einer Art und eines Plans vergleichen.",
  "No valid check run is among these.": "Darunter ist kein gültiger Prüflauf.",
  "Choose others.": "Andere wählen.",
  "It has no {0}.": "{0} fehlt darin.",
  "It is void.": "Er zählt nicht.",
  "The rig refused that.": "Der Prüfstand hat das abgelehnt.",
  "Look at the rig's state, then try again.": "Zustand des Prüfstands ansehen, dann noch einmal versuchen.",
  "Only {0} MB are free for recordings; {1} MB are needed.":
    "Nur {0} MB sind frei für Aufzeichnungen; {1} MB werden gebraucht.",
  "Move old runs to another disk, then start again.":
    "Alte Läufe auf einen anderen Datenträger bringen, dann noch einmal starten.",
  "The rolls turn; snaps are done in neutral with the rolls standing.":
    "Die Rollen drehen sich; Gasstöße macht man im Leerlauf bei stehenden Rollen.",
  "Bring the rolls to a stop, put the truck into neutral, then start.":
    "Die Rollen anhalten, den Gang herausnehmen, dann starten.",
  "The converter was still open as the sweep began.": "Zu Beginn der Leistungskurve war der Wandler noch offen.",
  "Tooth wheels that have not been learned yet: {0}. Where they turn the load ripples once per turn. Before the next test drive steadily at about 50 km/h for some ten seconds with the rig ready.":
    "Noch nicht gelernte Zahnräder: {0}. Wo sie drehen, schwankt die Last einmal je Umdrehung. Vor der nächsten Prüfung bei bereitem Prüfstand etwa zehn Sekunden gleichmäßig mit etwa 50 km/h fahren.",
  "The identification found no usable map or lags.":
    "Die Identifikation fand kein brauchbares Kennfeld und keine Verzögerungen.",
  "The truck came to a stop on the hill.": "Der Wagen blieb am Berg stehen.",
  "The smoke channel was too slow for its filter.": "Der Rauchkanal war zu langsam für sein Filter.",
  "As the sweep began the converter was still open, or a lower gear was in: start higher, or drive up with a light pedal until it is locked.":
    "Zu Beginn der Leistungskurve war der Wandler noch offen oder ein kleinerer Gang eingelegt: höher beginnen, oder mit wenig Gas hochfahren, bis er geschlossen ist.",
  "The rolls turned during the snaps: the truck was not in neutral.":
    "Während der Gasstöße drehten die Rollen: der Gang war nicht heraus.",
  "The zero of the smoke meter moved by more than 2 points.":
    "Der Nullpunkt des Rauchmessgeräts hat sich um mehr als 2 Punkte verschoben.",
  "See which there are: they depend on the rig the run was recorded on.":
    "Ansehen, welche es gibt: sie hängen vom Prüfstand ab, auf dem der Lauf entstand.",
  "The stretch has no length.": "Der Abschnitt hat keine Länge.",
  "Give from_s before to_s.": "from_s vor to_s angeben.",
  "Another vehicle cannot come onto the rolls during a test.":
    "Während einer Prüfung kann kein anderes Fahrzeug auf die Rollen kommen.",
  "The learned ratio was that of '{0}' and is forgotten: learn it anew.":
    "Die gelernte Übersetzung war die von „{0}“ und ist vergessen: neu lernen.",
  "There is no form '{0}'.": "Die Form „{0}“ gibt es nicht.",
  "Use {0}.": "Verwenden: {0}.",
  "Run {0} has no samples yet.": "Lauf {0} hat noch keine Messwerte.",
  "Wait until it is closed.": "Warten, bis er abgeschlossen ist.",
  "There is no column '{0}'.": "Eine Spalte „{0}“ gibt es nicht.",
  "They depend on the rig the run was recorded on. Here: {0}.":
    "Sie hängen vom Prüfstand ab, auf dem der Lauf entstand. Hier: {0}.",
  "The export cannot be written to {0}.": "Die Datei {0} kann nicht geschrieben werden.",
  "Choose a folder that exists and may be written to.":
    "Einen Ordner wählen, den es gibt und in den geschrieben werden darf.",
  "Run {0} has no result yet.": "Lauf {0} hat noch kein Ergebnis.",
  "The export cannot be written to {0}: {1}.": "Die Datei {0} kann nicht geschrieben werden: {1}.",
  "Make room on that disk.": "Auf diesem Datenträger Platz machen.",
  "'{0}' is given twice, in two units.": "„{0}“ ist doppelt angegeben, in zwei Einheiten.",
  "Give it once.": "Einmal angeben.",
  "{0}: {1}.": "{0}: {1}.",
  "Correct that field; docs/plans.md lists all of them.": "Dieses Feld berichtigen; docs/plans.md nennt alle.",
  "{0} cannot be read: {1}.": "{0} kann nicht gelesen werden: {1}.",
  "Check the file's name and rights.": "Namen und Rechte der Datei prüfen.",
  "{0} is not TOML: {1}.": "{0} ist kein TOML: {1}.",
  "Mend that line.": "Diese Zeile berichtigen.",
  "The service failed to answer this request.": "Der Dienst konnte diese Anfrage nicht beantworten.",
  "Try again; if it happens again, keep the service's log and report it.":
    "Noch einmal versuchen; kehrt es wieder, das Protokoll des Dienstes aufheben und melden.",
  "See /api/openapi.json for what this address takes.": "In /api/openapi.json steht, was diese Adresse annimmt.",
  "There is nothing at this address.": "Unter dieser Adresse ist nichts.",
  "See /api/openapi.json.": "Siehe /api/openapi.json.",
  "This address does not take that method.": "Diese Adresse nimmt diese Anfrage nicht an.",
  "The path {0} is longer than a local socket allows ({1} bytes).":
    "Der Pfad {0} ist länger, als ein lokaler Anschluss erlaubt ({1} Bytes).",
  "Choose a shorter --data directory.": "Ein kürzeres Datenverzeichnis wählen.",
  "Another loop process already serves {0}.": "Eine andere Regelschleife bedient schon {0}.",
  "End it first, or use another --data directory.": "Sie erst beenden, oder ein anderes Datenverzeichnis nehmen.",
  "Correct the command and send it again.": "Den Befehl berichtigen und noch einmal schicken.",
  "The loop process is not connected.": "Die Regelschleife ist nicht verbunden.",
  "Wait for it to come back, then try again.": "Warten, bis sie wieder da ist, dann noch einmal versuchen.",
  "The loop process did not answer at {0} for {1} s.":
    "Die Regelschleife hat unter {0} nicht innerhalb von {1} s geantwortet.",
  "See whether it runs, and what it last reported.": "Nachsehen, ob sie läuft und was sie zuletzt gemeldet hat.",
  "The loop process did not answer a command for {0} s.":
    "Die Regelschleife hat einen Befehl nicht innerhalb von {0} s beantwortet.",
  "Look at the rig; the load eases off by itself when the loop is gone.":
    "Den Prüfstand ansehen; ohne Regelschleife entlastet er von selbst.",
  "The loop process went away before it answered.": "Die Regelschleife ging weg, bevor sie antwortete.",
  "The test was still in '{0}' after {1} s of virtual time.": "Die Prüfung war nach {1} s der Probe noch bei „{0}“.",
  "Choose other set points, another --gear or more --pedal.":
    "Andere Sollwerte, einen anderen Gang oder mehr Pedal wählen.",
  "The rig is {0}, not ready.": "Der Prüfstand ist {0}, nicht bereit.",
  "See the faults.": "Störungen ansehen.",
  "The simulated truck did not reach the start within {0} s.":
    "Das gedachte Fahrzeug kam nicht innerhalb von {0} s an den Anfang.",
  "There is no recording '{0}'.": "Eine Aufzeichnung „{0}“ gibt es nicht.",
  "Give a run id or the path of a raw.drm.": "Kennung eines Laufs oder Pfad einer raw.drm angeben.",
  "No zero has been taken on this rig yet.": "An diesem Prüfstand ist noch keine Null genommen.",
  "Take zeros with the rolls at rest, then prove them.": "Nullen nehmen, während die Rollen stehen, dann prüfen.",
  "No proof that passed has values for the rig file.":
    "Kein bestandener Nachweis hat Werte für die Beschreibung des Prüfstands.",
  "Prove something first: drumlin prove coasts, dead-weight or delay.":
    "Erst etwas nachweisen: Ausrollen, Gewichte oder Verzug.",
  "{0} belongs to the rig '{1}', not to '{2}'.": "{0} gehört zum Prüfstand „{1}“, nicht zu „{2}“.",
  "Remove it, or use the data directory of that rig.": "Entfernen, oder das Datenverzeichnis jenes Prüfstands nehmen.",
  "Restore it from a copy, or move it away.": "Aus einer Kopie herstellen oder wegräumen.",
  "{0} cannot be written: {1}.": "{0} kann nicht geschrieben werden: {1}.",
  "Check disk and rights.": "Datenträger und Rechte prüfen.",
  "Far too many load steps.": "Viel zu viele Laststufen.",
  "Give at most {0}.": "Höchstens {0} angeben.",
  "The set-up of the weights cannot be read: {0}.": "Der Aufbau der Gewichte ist nicht lesbar: {0}.",
  "Give at least calibration_arm_m and cell_arm_m, in metres.":
    "Mindestens Kalibrierarm und Arm der Zelle angeben, in Metern.",
  "Line {0} of the load steps cannot be read: {1}.": "Zeile {0} der Laststufen ist nicht lesbar: {1}.",
  "Write columns mass_kg,count,rising,side.": "Spalten mass_kg,count,rising,side schreiben.",
  "The first token must have the role maintain: from then on everybody needs one.":
    "Der erste Schlüssel muss verwalten dürfen: danach brauchen alle einen.",
  "Make that one first, sign in with it, then make the others.":
    "Erst diesen machen, damit anmelden, dann die anderen machen.",
  "This test simulates a vehicle's road load, and nobody said whose.":
    "Diese Prüfung bildet den Fahrwiderstand eines Fahrzeugs nach, und niemand hat gesagt, wessen.",
  "Choose the vehicle that stands on the rolls, then start again.":
    "Das Fahrzeug wählen, das auf den Rollen steht, dann noch einmal starten.",
  "The Drumlin-Client header is missing: the helm needs to know one page from another.":
    "Die Kennung des Geräts fehlt: das Ruder muss eine Seite von der anderen unterscheiden.",
  "There is no run {0}.": "Den Lauf {0} gibt es nicht.",
  "Look at the list of runs.": "In der Liste der Läufe nachsehen.",
  "A word holds a NUL character.": "Ein Wort enthält ein Nullzeichen.",
  "Leave it out.": "Weglassen.",
  "Nothing was heard from the loop process yet.": "Von der Regelschleife kam noch nichts.",
  "Wait a moment; if it lasts, see whether drumlin serve reports an error.":
    "Einen Moment warten; hält es an, nachsehen, ob drumlin serve einen Fehler meldet.",
  "{0} viewers are connected.": "{0} Zuschauer sind verbunden.",
  "Close some of them.": "Einige schließen.",
  "More than {0} columns.": "Mehr als {0} Spalten.",
  "Ask for fewer at a time.": "Weniger auf einmal verlangen.",
  "The run has {0} notes.": "Der Lauf hat {0} Bemerkungen.",
  "Keep further ones elsewhere.": "Weitere anderswo aufheben.",
  "The store url cannot be used: {0}.": "Die Adresse der Ablage ist nicht brauchbar: {0}.",
  "Use sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME (needs psycopg).":
    "sqlite:///DATEI oder postgresql+psycopg://BENUTZER@RECHNER/NAME verwenden (braucht psycopg).",
  "The run catalogue failed: {0}.": "Das Verzeichnis der Läufe versagte: {0}.",
  "Check the disk and the database; runs themselves are safe in their folders.":
    "Datenträger und Datenbank prüfen; die Läufe selbst liegen sicher in ihren Ordnern.",
  "The run catalogue has an unknown version: {0}.": "Das Verzeichnis der Läufe hat eine unbekannte Fassung: {0}.",
  "It was made by a newer Drumlin: use that one, or another data directory.":
    "Es kommt von einem neueren Drumlin: dieses nehmen, oder ein anderes Datenverzeichnis.",
  "A set holds at most {0} runs.": "Ein Satz fasst höchstens {0} Läufe.",
  "Make several sets.": "Mehrere Sätze machen.",
  "There is no set '{0}'.": "Einen Satz „{0}“ gibt es nicht.",
  "See the list of them.": "In der Liste nachsehen.",
  "There are {0} vehicles.": "Es gibt schon {0} Fahrzeuge.",
  "Remove one first.": "Erst eines entfernen.",
  "There is no vehicle '{0}'.": "Ein Fahrzeug „{0}“ gibt es nicht.",
  "There are {0} sets.": "Es gibt schon {0} Sätze.",
  "Interrupted: a process or the computer stopped while it was recording.":
    "Unterbrochen: ein Prozess oder der Rechner blieb während der Aufzeichnung stehen.",
  "Run {0} has no evaluation {1}.": "Lauf {0} hat keine Auswertung {1}.",
  "Evaluate the run again.": "Den Lauf noch einmal auswerten.",
  "Run {0} has no column '{1}'.": "Lauf {0} hat keine Spalte „{1}“.",
  "Ask without columns first: the answer lists what there is.":
    "Erst ohne Spalten fragen: die Antwort nennt, was es gibt.",
  "Wait until it is closed; watch it live meanwhile.": "Warten, bis er abgeschlossen ist; so lange live zusehen.",
  "The samples of run {0} cannot be read: {1}.": "Die Messwerte von Lauf {0} sind nicht lesbar: {1}.",
  "Evaluate the run again; its raw recording is untouched.":
    "Den Lauf noch einmal auswerten; seine Rohaufzeichnung ist unberührt.",
  "Evaluation took longer than {0} s.": "Die Auswertung dauerte länger als {0} s.",
  "Evaluation gave no usable answer: {0}.": "Die Auswertung gab keine brauchbare Antwort: {0}.",
  "There is no valid token '{0}'.": "Einen gültigen Schlüssel „{0}“ gibt es nicht.",
  "Look at the list of tokens.": "In der Liste der Schlüssel nachsehen.",
  "There is a valid token named '{0}'.": "Es gibt schon einen gültigen Schlüssel „{0}“.",
  "Choose another name, or revoke it.": "Einen anderen Namen wählen, oder ihn entziehen.",
  "There are {0} tokens.": "Es gibt schon {0} Schlüssel.",
  "Remove revoked ones from tokens.json.": "Entzogene aus tokens.json entfernen.",
  "'{0}' cannot be a token's name.": "„{0}“ kann kein Name eines Schlüssels sein.",
  "Use 1 to 40 letters, digits, blanks, dots, dashes or underscores.":
    "1 bis 40 Buchstaben, Ziffern, Leerzeichen, Punkte, Striche oder Unterstriche verwenden.",
  "Restore it, or move it away and make new tokens.": "Herstellen, oder wegräumen und neue Schlüssel machen.",
  "Check the disk and its rights.": "Datenträger und seine Rechte prüfen.",
  "The work took longer than {0} s.": "Die Arbeit dauerte länger als {0} s.",
  "Try again when the computer has less to do.": "Noch einmal versuchen, wenn der Rechner weniger zu tun hat.",
  "Evaluate the run again, then retry.": "Den Lauf noch einmal auswerten, dann wieder versuchen.",
  "There is too little to compare.": "Es gibt zu wenig zu vergleichen.",
  "Record at least two seconds of coasting with steps of current.":
    "Mindestens zwei Sekunden Ausrollen mit Stromstufen aufzeichnen.",
  "The absorber force hardly changed.": "Die Bremskraft hat sich kaum geändert.",
  "Step the current up and down a few times while the free rolls coast.":
    "Den Strom ein paarmal auf und ab stufen, während die freien Rollen auslaufen.",
  "The rolls turned for too short a time.": "Die Rollen drehten zu kurz.",
  "Coast from a higher speed, with steps of current.": "Aus höherer Geschwindigkeit ausrollen, mit Stromstufen.",
  "An arm has no length.": "Ein Arm hat keine Länge.",
  "Measure both arms from the absorber's axis.": "Beide Arme von der Achse der Bremse aus messen.",
  "A mass or count is not a number.": "Eine Masse oder ein Zählwert ist keine Zahl.",
  "Repeat that load step.": "Diese Laststufe wiederholen.",
  "A mass is below zero or a side is unknown.": "Eine Masse ist kleiner als null, oder eine Seite ist unbekannt.",
  "Sides are 1, -1, or 0 (arm off).": "Seiten sind 1, -1 oder 0 (Arm ab).",
  "A mass cannot hang on an arm that is off.": "An einem abgenommenen Arm kann keine Masse hängen.",
  "Give the side it hung on.": "Die Seite angeben, an der sie hing.",
  "Only {0} different loads.": "Nur {0} verschiedene Lasten.",
  "Use at least {0}, evenly spaced (40 CFR 1065.310).":
    "Mindestens {0} verwenden, gleichmäßig verteilt (40 CFR 1065.310).",
  "The converter was at its limit.": "Der Wandler war am Anschlag.",
  "Use smaller loads or a lower gain.": "Kleinere Lasten oder weniger Verstärkung verwenden.",
  "The converter hardly follows the weights.": "Der Wandler folgt den Gewichten kaum.",
  "Check that the right cell is wired and the arm is free.":
    "Prüfen, ob die richtige Zelle angeschlossen und der Arm frei ist.",
  "The front end has no {0} channel '{1}' (it has: {2}).": "Der Messrechner hat keinen Kanal {0} „{1}“ (er hat: {2}).",
  "Correct the name in the rig file, or the channel table of the front end.":
    "Den Namen in rig.toml berichtigen, oder die Kanaltabelle des Messrechners.",
  "The front end states a tick or frame rate of 0.": "Der Messrechner nennt Takt oder Datenrate null.",
  "Update the front end's firmware.": "Firmware des Messrechners erneuern.",
  "The rig has no absorber '{0}'.": "Der Prüfstand hat keine Bremse „{0}“.",
  "A zero must be a number.": "Eine Null muss eine Zahl sein.",
  "Take the zero again.": "Die Null noch einmal nehmen.",
  "The rolls have not rested without current for two seconds.":
    "Die Rollen haben nicht zwei Sekunden ohne Strom geruht.",
  "Stop the rolls, take the load off, wait, then take the zero again.":
    "Rollen anhalten, Last weg, warten, dann die Null noch einmal nehmen.",
  "These coasts cannot tell inertia from loss.": "Diese Ausrollversuche können Trägheit und Verlust nicht trennen.",
  "Add coasts from the same speed under two or more absorber loads.":
    "Ausrollversuche aus derselben Geschwindigkeit mit zwei oder mehr Bremslasten dazunehmen.",
  "The coasts do not follow inertia and a smooth loss.":
    "Die Ausrollversuche passen nicht zu Trägheit und glattem Verlust.",
  "Check that nothing braked, slipped or drove the rolls during them.":
    "Prüfen, ob dabei etwas bremste, rutschte oder die Rollen trieb.",
  "There is no coast to evaluate.": "Es gibt keinen Ausrollversuch auszuwerten.",
  "Record at least one.": "Mindestens einen aufzeichnen.",
  "Coast {0} has too few observations.": "Ausrollversuch {0} hat zu wenige Werte.",
  "Coast longer or from faster.": "Länger oder aus höherer Geschwindigkeit ausrollen.",
  "Coast {0} has gaps in speed or force.": "Ausrollversuch {0} hat Lücken in Geschwindigkeit oder Kraft.",
  "Leave the gap out.": "Die Lücke weglassen.",
  "Coast {0} has observations outside its force record.":
    "Ausrollversuch {0} hat Werte außerhalb seiner Kraftaufzeichnung.",
  "Trim it.": "Kürzen.",
  "No correction: a boosted diesel with its own boost and fuel control largely makes up for weather by itself, so a published factor would add an error larger than the one it removes. Compare runs in like weather instead.":
    "Keine Korrektur: ein aufgeladener Diesel mit eigener Regelung von Ladedruck und Kraftstoff gleicht das Wetter weitgehend selbst aus; ein veröffentlichter Faktor brächte einen größeren Fehler hinein, als er wegnimmt. Statt dessen Läufe bei ähnlichem Wetter vergleichen.",
  "Spark ignition: power follows the dry air it breathes.":
    "Fremdzündung: die Leistung folgt der trockenen Luft, die der Motor atmet.",
  "No correction was asked for.": "Es wurde keine Korrektur verlangt.",
  "Unboosted diesel: corrected with its fuel-rate factor.":
    "Diesel ohne Aufladung: korrigiert mit dem Faktor der Kraftstoffmenge.",
  "A diesel correction needs the fuel rate, displacement and engine speed.":
    "Eine Dieselkorrektur braucht Kraftstoffmenge, Hubraum und Motordrehzahl.",
  "Give them with the vehicle, or choose the rule 'none'.": "Beim Fahrzeug angeben, oder die Regel „keine“ wählen.",
  "Fuel rate, displacement, engine speed and boost ratio must be above zero.":
    "Kraftstoffmenge, Hubraum, Motordrehzahl und Ladeverhältnis müssen über null liegen.",
  "Check the vehicle's figures and their units.": "Angaben des Fahrzeugs und ihre Einheiten prüfen.",
  "Outside the rule: factor {0}, allowed {1} to {2}. Repeat the test in other weather.":
    "Außerhalb der Regel: Faktor {0}, erlaubt {1} bis {2}. Bei anderem Wetter wiederholen.",
  "Outside the rule: air {0} K, allowed {1} to {2} K.": "Außerhalb der Regel: Luft {0} K, erlaubt {1} bis {2} K.",
  "Outside the rule: dry pressure {0} kPa, allowed {1} to {2} kPa.":
    "Außerhalb der Regel: trockener Luftdruck {0} kPa, erlaubt {1} bis {2} kPa.",
  "Give a CSV with time_s and mps columns.": "Eine CSV-Datei mit Spalten time_s und mps angeben.",
  "Use time_s and one of mps, kmh, mph; grade or grade_percent may follow.":
    "time_s und eines von mps, kmh, mph verwenden; grade oder grade_percent darf folgen.",
  "Give the whole trace.": "Die ganze Fahrkurve angeben.",
  "Replace nan and inf by real values.": "nan und inf durch wirkliche Werte ersetzen.",
  "Sort the lines by time.": "Zeilen nach der Zeit ordnen.",
  "Check the speed column's unit.": "Einheit der Geschwindigkeit prüfen.",
  "Give grade as a ratio or grade_percent.": "Steigung als Verhältnis oder als grade_percent angeben.",
  "Mend or remove that line.": "Diese Zeile berichtigen oder weglassen.",
  "There is no engine speed of its own to learn the ratio from, or the rolls crawl.":
    "Es gibt keine eigene Motordrehzahl, an der die Übersetzung zu lernen wäre, oder die Rollen kriechen.",
  "Connect a pickup or a channel, lock the gear, hold a steady speed above {0} m/s at light load.":
    "Drehzahlgeber oder Kanal anschließen, Gang einlegen, bei leichter Last ruhig über {0} m/s halten.",
  "The ratio of engine to roll speed is not steady.":
    "Das Verhältnis von Motor- zu Rollengeschwindigkeit ist nicht ruhig.",
  "Lock the gear and the converter, hold a steady speed at light load, try again.":
    "Gang und Wandler sperren, bei leichter Last ruhig halten, noch einmal versuchen.",
  "The recording holds no frames that fit this rig.": "Die Aufzeichnung enthält nichts, was zu diesem Prüfstand passt.",
  "Give the raw.drm of a run on this rig.": "Die raw.drm eines Laufs auf diesem Prüfstand angeben.",
  "No coast of a few seconds is in this recording.": "In dieser Aufzeichnung ist kein Ausrollen von einigen Sekunden.",
  "Bring the free rolls up to speed, then let them run out.":
    "Die freien Rollen auf Geschwindigkeit bringen und auslaufen lassen.",
  "{0} frames are missing from this recording.": "In dieser Aufzeichnung fehlen {0} Datensätze.",
  "Repeat the coast; look at the cable when it comes again.":
    "Das Ausrollen wiederholen; kehrt es wieder, das Kabel ansehen.",
  "A check run has no number.": "Ein Prüflauf hat keine Zahl.",
  "Leave void runs out of the chart.": "Ungültige Läufe weglassen.",
  "A chart needs {0} valid check runs or more; there are {1} such.":
    "Eine Regelkarte braucht {0} gültige Prüfläufe oder mehr; es sind {1}.",
  "Repeat the check run of the reference vehicle over the next days.":
    "Den Prüflauf des Vergleichsfahrzeugs in den nächsten Tagen wiederholen.",
  "Run {0} lies beyond three sigma.": "Lauf {0} liegt jenseits von drei Sigma.",
  "{0} runs in a row lie {1} the centre.": "{0} Läufe hintereinander liegen {1} der Mitte.",
  "By run {0} the rig reads steadily {1}.": "Bis Lauf {0} zeigt der Prüfstand stetig {1}.",
  "The range of bins is empty.": "Der Bereich der Klassen ist leer.",
  "Give a positive step and a range that rises.": "Eine Schrittweite über null und einen steigenden Bereich angeben.",
  "Only {0} usable samples for a curve.": "Nur {0} brauchbare Werte für eine Kurve.",
  "Look at the quality of the readings in this run.": "Güte der Messwerte in diesem Lauf ansehen.",
  "The smoothing width must be above zero.": "Die Glättungsbreite muss über null liegen.",
  "Give a width in x.": "Eine Breite in x angeben.",
  "The curve is empty.": "Die Kurve ist leer.",
  "Choose bins that the run covers.": "Klassen wählen, die der Lauf abdeckt.",
  "The plan of this hold has no set point.": "Der Plan dieses Haltens hat keinen Sollwert.",
  "What was to be held was never reached.": "Was gehalten werden sollte, wurde nie erreicht.",
  "Choose a set point that the truck reaches in this gear.":
    "Einen Sollwert wählen, den das Fahrzeug in diesem Gang erreicht.",
  "The hold ended before it had settled.": "Das Halten endete, bevor es eingeschwungen war.",
  "Hold longer.": "Länger halten.",
  "The plan of this climb has no target speed.": "Der Plan dieses Bergs hat keine Sollgeschwindigkeit.",
  "Give it.": "Angeben.",
  "The truck never reached {0} km/h.": "Das Fahrzeug hat {0} km/h nie erreicht.",
  "Choose a lower target speed.": "Eine kleinere Sollgeschwindigkeit wählen.",
  "More than {0} km/h below the target.": "Mehr als {0} km/h unter der Sollgeschwindigkeit.",
  "The plan holds no trace.": "Der Plan enthält keine Fahrkurve.",
  "The trace was not driven to half.": "Die Fahrkurve wurde nicht einmal halb gefahren.",
  "Drive it to its end.": "Bis zum Ende fahren.",
  "Outside the band for {0} s.": "{0} s lang außerhalb des Bands.",
  "The plan of this coast names no speeds.": "Der Plan dieses Ausrollens nennt keine Geschwindigkeiten.",
  "Give them.": "Angeben.",
  "The coast never began.": "Das Ausrollen hat nie begonnen.",
  "Drive up to its first speed.": "Bis zur ersten Geschwindigkeit hochfahren.",
  "The run holds no smoke readings.": "Der Lauf enthält keine Rauchwerte.",
  "Connect the meter.": "Messgerät anschließen.",
  "The run holds no engine speed.": "Der Lauf enthält keine Motordrehzahl.",
  "A hold says what the truck gave at this point and in this heat, and nothing about other points.":
    "Ein Halten sagt, was das Fahrzeug an diesem Punkt und in dieser Wärme gab, und nichts über andere Punkte.",
  "The rolls can brake more than the grade asks, but cannot push; what the rig could not deliver is flagged as a shortfall.":
    "Die Rollen können stärker bremsen, als die Steigung verlangt, aber nicht schieben; was der Prüfstand nicht geben konnte, ist als Fehlbetrag markiert.",
  "Cooling air in the shop is not that of the road: temperatures may differ there.":
    "Kühlluft in der Halle ist nicht die der Straße: Temperaturen können dort anders sein.",
  "An excursion of more than {0} s: the run does not meet 40 CFR 1066.425.":
    "Eine Überschreitung von mehr als {0} s: der Lauf erfüllt 40 CFR 1066.425 nicht.",
  "The start of the trace is found by laying it on the driven speed where the two differ least.":
    "Der Anfang der Fahrkurve ist da gefunden, wo sie am besten auf der gefahrenen Geschwindigkeit liegt.",
  "Let it coast to its last speed.": "Bis zur letzten Geschwindigkeit ausrollen lassen.",
  "The force is that of the rolls' own mass (and a road load put on them); the truck's wheels and shafts that turn along add to it and are not counted.":
    "Die Kraft ist die der Rollenmasse (und eines aufgelegten Fahrwiderstands); Räder und Wellen des Fahrzeugs, die mitdrehen, kommen dazu und sind nicht gezählt.",
  "Intervals after 40 CFR 1066.310; the intervals state the uncertainty of inertia, not that of warm-up.":
    "Abschnitte nach 40 CFR 1066.310; die Intervalle nennen die Unsicherheit der Trägheit, nicht die des Warmlaufens.",
  "The smoke channel changed {0} times a second; below 20 short peaks read too low.":
    "Der Rauchkanal änderte sich {0}-mal je Sekunde; unter 20 werden kurze Spitzen zu klein gelesen.",
  "Smoke as the meter's own path sees it unless a path is stated; ambient air and stack diameter are not corrected for.":
    "Rauch, wie ihn der Messweg des Geräts selbst sieht, wenn keiner angegeben ist; Umgebungsluft und Rohrdurchmesser sind nicht herausgerechnet.",
  "Power is that at the wheels. Torque is wheel power over engine speed; no driveline loss is assumed or added back.":
    "Die Leistung ist die an den Rädern. Das Moment ist Radleistung durch Motordrehzahl; ein Verlust im Antriebsstrang wird weder angenommen noch aufgeschlagen.",
  "Intervals hold what the rig's calibration leaves open and the noise of this run. They do not hold how the truck itself differs from day to day: repeat the test for that.":
    "Die Intervalle enthalten, was die Kalibrierung des Prüfstands offen lässt, und das Rauschen dieses Laufs. Sie enthalten nicht, wie das Fahrzeug selbst von Tag zu Tag schwankt: dafür die Prüfung wiederholen.",
  "Figures for comparing a truck with itself on this rig. Not a certified emission or power figure.":
    "Zahlen, um ein Fahrzeug auf diesem Prüfstand mit sich selbst zu vergleichen. Kein amtlicher Abgas- oder Leistungswert.",
  "Load on the rolls can break straps, tyres and driveline: keep to the maker's limits of truck and rig and to local rules, and let licensed people judge what may go on the road.":
    "Last auf den Rollen kann Gurte, Reifen und Antriebsstrang zerreißen: an die Grenzen der Hersteller von Fahrzeug und Prüfstand und an örtliche Vorschriften halten; was auf die Straße darf, entscheiden befugte Fachleute.",
  "An identification has no evaluation of its own.": "Eine Vermessung der Bremsen hat keine eigene Auswertung.",
  "What it found stands with the absorbers: drumlin absorbers, GET /api/identification.":
    "Was sie fand, steht bei den Bremsen: drumlin absorbers, GET /api/identification.",
  "There is no evaluation of the test kind '{0}'.": "Für die Prüfart „{0}“ gibt es keine Auswertung.",
  "The kinds are: {0}.": "Die Arten sind: {0}.",
  "Not corrected: temperature, pressure and humidity were not all measured.":
    "Nicht korrigiert: Temperatur, Druck und Feuchte wurden nicht alle gemessen.",
  "The weather correction is outside its rule: not to be quoted.":
    "Die Wetterkorrektur liegt außerhalb ihrer Regel: nicht weitergeben.",
  "The test was ended before it was complete.": "Die Prüfung wurde beendet, bevor sie vollständig war.",
  "A point did not settle within its time.": "Ein Punkt kam in seiner Zeit nicht zur Ruhe.",
  "The absorbers could not take what was asked for.": "Die Bremsen konnten nicht nehmen, was verlangt war.",
  "The sweep did not keep its planned rate.": "Das Hochfahren hielt den geplanten Anstieg nicht ein.",
  "Nobody floored the pedal in time.": "Niemand gab rechtzeitig Vollgas.",
  "The coast took longer than planned.": "Das Ausrollen dauerte länger als geplant.",
  "Outside the band for more than 2.0 s at once (40 CFR 1066.425).":
    "Länger als 2,0 s am Stück außerhalb des Bands (40 CFR 1066.425).",
  "Engine and rolls ran apart by more than {0} % of their usual ratio: tyres or converter slipped.":
    "Motor und Rollen liefen um mehr als {0} % ihres üblichen Verhältnisses auseinander: Reifen oder Wandler rutschten.",
  "Engine and rolls were off the learned ratio by a few per cent, or the roll sets ran apart: tyres slipped, or the converter was open.":
    "Motor und Rollen wichen um einige Prozent von der gelernten Übersetzung ab, oder die Rollensätze liefen auseinander: Reifen rutschten, oder der Wandler war offen.",
  "The roll sets differed by more than {0} % in speed.": "Die Rollensätze drehten um mehr als {0} % verschieden.",
  "Absorber {0} was at its full current: more load was asked for than it may give for long.":
    "Bremse {0} war bei vollem Strom: es wurde mehr Last verlangt, als sie lange geben darf.",
  "The rotor of {0} came within {1} K of its limit ({2} °C).":
    "Der Rotor von {0} kam bis auf {1} K an seine Grenze ({2} °C).",
  "{0} was doubtful or missing.": "{0}: zweifelhaft oder fehlend.",
  "{0} frames are missing: lost on the line, or in the recording.":
    "{0} Datensätze fehlen: auf der Leitung verloren, oder in der Aufzeichnung.",
  "A fault.": "Eine Störung.",
  "The recording has no end: it was cut off.": "Die Aufzeichnung hat kein Ende: sie wurde abgeschnitten.",
  "Void: {0}.": "Zählt nicht: {0}.",
  "{0} Effect: {1}.": "{0} Wirkung: {1}.",
  "Not proven: {0}. If the change is as large as it looks, about {1} more repeats on each side would settle it.":
    "Nicht erwiesen: {0}. Ist die Änderung so groß, wie sie aussieht, brächten etwa {1} weitere Wiederholungen auf jeder Seite Klarheit.",
  "Gained: {0}.": "Gewonnen: {0}.",
  "Lost: {0}.": "Verloren: {0}.",
  "Not proven: {0}. More repeats alone would not settle it.":
    "Nicht erwiesen: {0}. Mehr Wiederholungen allein brächten keine Klarheit.",
  "The runs are not evaluated over the same bins.": "Die Läufe sind nicht über dieselben Klassen ausgewertet.",
  "Re-evaluate them with the same bins and compare again.":
    "Mit denselben Klassen neu auswerten und noch einmal vergleichen.",
  "No bin is covered by every run.": "Keine Klasse ist von allen Läufen abgedeckt.",
  "Compare runs over the same range of speed.": "Läufe über denselben Geschwindigkeitsbereich vergleichen.",
  "The uncertainty between sessions is not a number of at least zero.":
    "Die Unsicherheit zwischen den Messtagen ist keine Zahl von null oder mehr.",
  "Give it as a share, e.g. 0.002 for 0.2 %.": "Als Anteil angeben, etwa 0.002 für 0,2 %.",
  "The '{0}' side has {1} valid run(s).": "Die Seite „{0}“ hat {1} gültige Läufe.",
  "A spread needs at least two repeats on each side; three or more are better.":
    "Eine Streuung braucht mindestens zwei Wiederholungen je Seite; drei oder mehr sind besser.",
  "{0} is known only {1}.": "{0} ist nur {1} bekannt.",
  "{0} differs by {1} (more than {2}).": "{0} unterscheidet sich um {1} (mehr als {2}).",
  "{0} is not the same on both sides.": "{0} ist auf beiden Seiten verschieden.",
  "The run holds no frames.": "Der Lauf enthält keine Datensätze.",
  "Check the link, then run the test again.": "Verbindung prüfen, dann die Prüfung wiederholen.",
  "The run has no usable readings there.": "Der Lauf hat dort keine brauchbaren Messwerte.",
  "Look at the quality of its readings over time.": "Güte seiner Messwerte über der Zeit ansehen.",
  "{0} cannot be read as Parquet: {1}.": "{0} ist nicht als Parquet lesbar: {1}.",
  "Evaluate the run again to make it anew from its recording.":
    "Den Lauf noch einmal auswerten, damit sie aus der Aufzeichnung neu entsteht.",
  "The columns of the run cannot be written to {0}: {1}.":
    "Die Spalten des Laufs können nicht nach {0} geschrieben werden: {1}.",
  "Make room on that disk, then evaluate the run again; its recording is untouched.":
    "Auf diesem Datenträger Platz machen, dann noch einmal auswerten; die Aufzeichnung ist unberührt.",
  "{0} is not the Parquet file of a run: {1}.": "{0} ist keine Parquet-Datei eines Laufs: {1}.",
  "{0} has no column '{1}'.": "{0} hat keine Spalte „{1}“.",
  "{0}: too few samples before or after the rise.": "{0}: zu wenige Werte vor oder nach dem Anstieg.",
  "Hold the light load and the full load for at least a second each.":
    "Leichte und volle Last je mindestens eine Sekunde halten.",
  "{0} does not rise clearly out of its noise.": "{0} steigt nicht deutlich aus dem Rauschen.",
  "Check the sensor, or begin from a lighter load.": "Fühler prüfen, oder von leichterer Last aus beginnen.",
  "{0} never reaches {1}.": "{0} erreicht nie {1}.",
  "Hold the full load longer.": "Die volle Last länger halten.",
  "The plan of this sweep names no range.": "Der Plan dieser Leistungskurve nennt keinen Bereich.",
  "Give its from and to.": "Anfang und Ende angeben.",
  "No sweep is in this run: the speed never moved through the planned range.":
    "In diesem Lauf ist keine Leistungskurve: die Geschwindigkeit lief nie durch den geplanten Bereich.",
  "Repeat the test and keep the pedal down until it says stop.":
    "Wiederholen, und das Pedal unten lassen, bis es „halt“ heißt.",
  "No point of the map settled.": "Kein Punkt des Kennfelds kam zur Ruhe.",
  "Give more time to settle, or a wider band.": "Mehr Zeit zum Einschwingen geben oder ein breiteres Band.",
  "The run is too short for a spool-up.": "Der Lauf ist zu kurz für einen Anstieg.",
  "Repeat it with its full time.": "Mit seiner vollen Zeit wiederholen.",
  "A sweep is not steady: boost and smoke lag behind, so a steady hold at the same speed may read differently. Compare sweeps with sweeps of the same rate.":
    "Ein Hochfahren ist nicht stationär: Ladedruck und Rauch eilen nach, ein Halten bei gleicher Geschwindigkeit kann anders ausfallen. Nur Läufe mit gleichem Anstieg vergleichen.",
  "Curves are smoothed over ±{0} by a local quadratic, without shift in speed or time; a feature narrower than that is rounded.":
    "Die Kurven sind über ±{0} quadratisch geglättet, ohne Verschiebung in Geschwindigkeit oder Zeit; was schmaler ist, wird rund.",
  "The sweep did not cover its whole planned range.": "Das Hochfahren deckte nicht den ganzen geplanten Bereich ab.",
  "Between the points nothing was measured; no line is laid through them.":
    "Zwischen den Punkten wurde nichts gemessen; dort wird keine Linie gezogen.",
  "Times count from the onset of the pull, not from the pedal, which the rig does not measure.":
    "Die Zeiten zählen vom Beginn des Zugs, nicht vom Pedal, das der Prüfstand nicht misst.",
  "A slow channel such as boost is only as fine in time as it is sent (10 values a second on the demo rig).":
    "Ein langsamer Kanal wie der Ladedruck ist zeitlich nur so fein, wie er gesendet wird (im Demo-Prüfstand 10 Werte je Sekunde).",
  "Point {0} never stayed in its band.": "Punkt {0} blieb nie in seinem Band.",
  "A run without a plan.": "Ein Lauf ohne Plan.",
  "No answer.": "Keine Antwort.",
  "Hold {0} for {1}.": "{0} halten, {1} lang.",
  "Hold one point after the other: {0} {1}.": "Einen Punkt nach dem anderen halten: {0} {1}.",
  "Full pedal from {0} to {1} km/h at {2} km/h a second.": "Vollgas von {0} bis {1} km/h mit {2} km/h je Sekunde.",
  "Floor it from a light load at {0}, {1} held, and watch the rise for {2}.":
    "Aus leichter Last bei {0} auf Vollgas, {1} gehalten, den Anstieg {2} lang ansehen.",
  "Climb {0} at {1} km/h.": "{0} mit {1} km/h hinauf.",
  "Follow {0} of {1}.": "{0} folgen, {1} lang.",
  "Coast from {0} to {1} km/h against {2}.": "Ausrollen von {0} bis {1} km/h gegen {2}.",
  "Snap the pedal in neutral until three snaps in a row agree in smoke.":
    "Gasstöße im Leerlauf, bis drei hintereinander im Rauch übereinstimmen.",
  "{0}; mean wheel power {1} {2}.": "{0}; mittlere Radleistung {1} {2}.",
  "{0} excursion{1} out of the band, the longest {2}.": "{0} Überschreitung{1} des Bands, die längste {2}.",
  "It coasted for {0}; mean force {1} {2}.": "Es rollte {0} aus; mittlere Kraft {1} {2}.",
  "Smoke {0} opacity, mean of three snaps that lie within {1}.":
    "Trübung {0}, Mittel aus drei Gasstößen, die innerhalb von {1} liegen.",
  "Full pedal from {0} to {1} rpm at {2} rpm a second.": "Vollgas von {0} bis {1} rpm mit {2} rpm je Sekunde.",
  "Inside the band all the way.": "Die ganze Zeit im Band.",
  "No three snaps in a row agree: the test is void.":
    "Keine drei Gasstöße hintereinander stimmen überein: die Prüfung zählt nicht.",
  "Slow channel '{0}' is in '{1}' by the rig file and in '{2}' by the front end.":
    "Der langsame Kanal „{0}“ hat in rig.toml die Einheit „{1}“ und beim Messrechner „{2}“.",
  "Make both name the same quantity.": "Beide sollen dieselbe Größe nennen.",
  "The rig has no slow channel '{0}'.": "Der Prüfstand hat keinen langsamen Kanal „{0}“.",
  "Describe it in the rig file under [[slow]].": "In rig.toml unter [[slow]] beschreiben.",
  "The front end has no slow channel '{0}' (it has: {1}).":
    "Der Messrechner hat keinen langsamen Kanal „{0}“ (er hat: {1}).",
  "Correct the name in the rig file, or give the channel a topic.":
    "Den Namen in rig.toml berichtigen, oder dem Kanal ein Topic geben.",
  "Air temperature {0} degC cannot be right.": "Eine Lufttemperatur von {0} °C kann nicht stimmen.",
  "Check the temperature sensor and its unit.": "Temperaturfühler und seine Einheit prüfen.",
  "Air pressure {0} kPa cannot be right.": "Ein Luftdruck von {0} kPa kann nicht stimmen.",
  "Give the pressure at the rig (not reduced to sea level) and check its unit.":
    "Den Druck am Prüfstand angeben (nicht auf Meereshöhe umgerechnet) und seine Einheit prüfen.",
  "Relative humidity {0} % cannot be right.": "Eine relative Feuchte von {0} % kann nicht stimmen.",
  "Check the humidity sensor and its unit.": "Feuchtefühler und seine Einheit prüfen.",
  "The rig has no slow channel for {0}.": "Der Prüfstand hat keinen langsamen Kanal für {0}.",
  'Describe one with meaning = "{0}", or use no power correction.':
    'Einen mit meaning = "{0}" beschreiben, oder ohne Wetterkorrektur messen.',
  "There is no fresh value of '{0}' ({1}).": "Von „{0}“ ({1}) gibt es keinen frischen Wert.",
  "Check the sensor, or use no power correction.": "Fühler prüfen, oder ohne Wetterkorrektur messen.",
  "The load cell of '{0}' has not given two clean seconds yet.":
    "Die Kraftmesszelle von „{0}“ hat noch keine zwei sauberen Sekunden geliefert.",
  "Wait two seconds, then look at its bridge and converter if this comes again.":
    "Zwei Sekunden warten; kehrt es wieder, Messbrücke und Wandler ansehen.",
  "The load cell of '{0}' moves by {1} N; a zero needs less than {2} N.":
    "Die Kraftmesszelle von „{0}“ bewegt sich um {1} N; eine Null verlangt weniger als {2} N.",
  "Let rolls and arms come to rest, keep hands and air off them, then take it again.":
    "Rollen und Arme zur Ruhe kommen lassen, Hände und Luft fernhalten, dann noch einmal nehmen.",
  "The load cell of '{0}' shows {1} N away from its calibrated zero.":
    "Die Kraftmesszelle von „{0}“ steht {1} N neben ihrer kalibrierten Null.",
  "Something leans on the arm, or the cell is overloaded: look before you zero.":
    "Etwas lehnt am Arm, oder die Zelle ist überlastet: erst nachsehen, dann nullen.",
  "The cause is still there: {0}": "Die Ursache ist noch da: {0}",
  "a grade of {0} %": "eine Steigung von {0} %",
  "Another test is running.": "Es läuft eine andere Prüfung.",
  "Begin another campaign.": "Eine andere Reihe beginnen.",
  "Begin another.": "Eine andere beginnen.",
  "Fit set-up {0}, then say so.": "Umbau {0} einbauen, dann melden.",
  "Fit {0}, then say so.": "{0} einbauen, dann melden.",
  "Look at the campaign again; somebody else may have gone on.":
    "Die Reihe noch einmal ansehen; vielleicht hat jemand anders weitergemacht.",
  "Resume the campaign first.": "Erst die Reihe fortsetzen.",
  "Run {0} comes next, not {1}.": "Lauf {0} ist an der Reihe, nicht {1}.",
  "Set-up {0} is to be fitted, not {1}.": "Umbau {0} ist einzubauen, nicht {1}.",
  "Start the run.": "Den Lauf starten.",
  "The campaign has ended.": "Die Reihe ist zu Ende.",
  "Wait until the conditions are alike.": "Warten, bis die Bedingungen gleich sind.",
  "Wait until the run is over and evaluated.": "Warten, bis der Lauf vorbei und ausgewertet ist.",
  "Correct the named value; /api/openapi.json describes every request.":
    "Den genannten Wert berichtigen; /api/openapi.json beschreibt jede Anfrage.",
  "Give --pedal within that.": "Das Pedal innerhalb davon angeben.",
  "The pedal goes from 0 to 100 %.": "Das Pedal geht von 0 bis 100 %.",
  "See `drumlin prove --help`.": "Siehe `drumlin prove --help`.",
  "There is no verification '{0}'.": "Einen Nachweis „{0}“ gibt es nicht.",
  "'{0}' and '{1}' are not two set-ups of this campaign.": "„{0}“ und „{1}“ sind nicht zwei Umbauten dieser Reihe.",
  "Its set-ups: {0}.": "Ihre Umbauten: {0}.",
  "Make room on the disk, or mend the rights of that folder.":
    "Auf dem Datenträger Platz machen, oder die Rechte dieses Ordners berichtigen.",
  "Move it away.": "Wegräumen.",
  "The campaign cannot be kept in {0}: {1}.": "Die Reihe kann nicht in {0} aufgehoben werden: {1}.",
  "The campaign file {0} cannot be read: {1}.": "Die Datei der Reihe {0} kann nicht gelesen werden: {1}.",
  "Evaluation failed ({0}): {1}": "Die Auswertung schlug fehl ({0}): {1}",
  "The work failed ({0}): {1}": "Die Arbeit schlug fehl ({0}): {1}",
  "Another recording is being taken in.": "Gerade wird eine andere Aufzeichnung übernommen.",
  "Check the network, then send it again.": "Netz prüfen, dann noch einmal schicken.",
  "Leave them out.": "Weglassen.",
  "Less was sent than announced.": "Es kam weniger als angekündigt.",
  "This takes up to {0} MB for a while; so much is not free.":
    "Das braucht eine Weile lang bis zu {0} MB; so viel ist nicht frei.",
  "Ask for fewer columns, or make room in the data directory.":
    "Weniger Spalten verlangen, oder im Datenverzeichnis Platz machen.",
  "{0} exports are on their way already.": "Es sind schon {0} Ausgaben unterwegs.",
  "Wait until one is through.": "Warten, bis eine durch ist.",
  "Too many such jobs wait already.": "Es warten schon zu viele solche Aufträge.",
  "Try again when some are done.": "Noch einmal versuchen, wenn einige erledigt sind.",
  "The work needs more memory than this computer has.": "Die Arbeit braucht mehr Speicher, als dieser Computer hat.",
  "The recording holds more than this computer's memory can.":
    "Die Aufzeichnung enthält mehr, als der Speicher dieses Computers fasst.",
  "Make room in the data directory, then send it again.":
    "Im Datenverzeichnis Platz machen, dann noch einmal schicken.",
  "More was sent than announced.": "Es kam mehr als angekündigt.",
  "Nothing of the recording arrived for {0} s, or it took too long in all.":
    "Von der Aufzeichnung kam {0} s lang nichts, oder es dauerte im Ganzen zu lange.",
  "Send Content-Length.": "Content-Length mitschicken.",
  "Send it again.": "Noch einmal schicken.",
  "Send the raw.drm itself with Content-Type: {0}.": "Die raw.drm selbst schicken, mit Content-Type: {0}.",
  "The body is not declared as a recording.": "Was kam, ist nicht als Aufzeichnung bezeichnet.",
  "The disk has no room for this recording and its evaluation.":
    "Auf dem Datenträger ist kein Platz für diese Aufzeichnung und ihre Auswertung.",
  "The length of the recording is not given.": "Die Länge der Aufzeichnung fehlt.",
  "The recording is larger than {0} MB.": "Die Aufzeichnung ist größer als {0} MB.",
  "The request was cut off.": "Die Anfrage wurde abgeschnitten.",
  "The vehicle holds control characters.": "Der Name des Fahrzeugs enthält Steuerzeichen.",
  "Use drumlin runs import on the computer itself, or raise import_mb.":
    "Am Rechner selbst drumlin runs import verwenden, oder import_mb erhöhen.",
  "Wait until it is through, then send this one.": "Warten, bis sie durch ist, dann diese schicken.",
  "Climb {0} at {1}.": "{0} mit {1} hinauf.",
  "Coast from {0} to {1} against {2}.": "Ausrollen von {0} bis {1} gegen {2}.",
  "Full pedal from {0} to {1} at {2} a second.": "Vollgas von {0} bis {1} mit {2} je Sekunde.",
  "At the same force, no faster than {0}.": "Bei gleicher Kraft nicht schneller als {0}.",
  "In a gear that turns the rolls faster: the same power from {0} on.":
    "In einem Gang, der die Rollen schneller dreht: dieselbe Leistung ab {0}.",
  "The rig can run this by heat: hottest rotor about {0}.": "Die Wärme lässt es zu: heißester Rotor etwa {0}.",
  "With at most {0} it can be run to the end.": "Mit höchstens {0} geht es bis zum Ende.",
  "{0} Split as in the last run: {1}.": "{0} Aufgeteilt wie im letzten Lauf: {1}.",
  "{0} Split as told: {1}.": "{0} Aufgeteilt wie angegeben: {1}.",
  "Plan a pause: {0}.": "Eine Pause einplanen: {0}.",
  "The smoke channel gave {0} values a second: too few for the 0.5 s filter, which needs 20.":
    "Der Rauchkanal gab {0} Werte je Sekunde: zu wenige für das Filter von 0,5 s, das 20 braucht.",
  "Give {0}, together 1.": "{0} angeben, zusammen 1.",
  "The split does not say a share of every roll set.": "Die Aufteilung nennt nicht für jeden Rollensatz einen Anteil.",
  "See /api/health.": "Siehe /api/health.",
  "There are no readings of the rig now.": "Vom Prüfstand gibt es jetzt keine Messwerte.",
  "This rule was asked for.": "Diese Regel wurde verlangt.",
  "The smoke channel changed {0} times a second; the 0.5 s filter needs 20. At 10 the peak of a short puff is off by up to 4 %.":
    "Der Rauchkanal änderte sich {0}-mal je Sekunde; das Filter von 0,5 s braucht 20. Bei 10 liegt die Spitze eines kurzen Stoßes bis zu 4 % daneben.",
  "{0} moved during the run; its mean was used.": "{0} änderte sich während des Laufs; gerechnet wurde mit dem Mittel.",
  "{0} was fresh for only {1} of the run.": "{0} war nur {1} des Laufs lang frisch.",
  "{0} was missing for {1} of the run.": "{0} fehlte {1} des Laufs lang.",
  "Give the raw.drm of a run.": "Die raw.drm eines Laufs angeben.",
  "Look at the wiring; a tooth wheel is no time base.": "Die Verdrahtung ansehen; ein Zahnrad ist keine Zeitbasis.",
  "Record anew.": "Neu aufzeichnen.",
  "Record at least 1000 s (1066.230); a rig that stands will do.":
    "Mindestens 1000 s aufzeichnen (1066.230); die Rollen dürfen stehen.",
  "The front end has no wheel channel '{0}'.": "Die Messelektronik hat keinen Radkanal '{0}'.",
  "The recording has too many gaps to compare clocks.":
    "Die Aufzeichnung hat zu viele Lücken, um Uhren zu vergleichen.",
  "The recording holds no frames.": "Die Aufzeichnung enthält keine Datensätze.",
  "There are {0} pulses on '{1}'.": "Auf '{1}' kamen {0} Pulse.",
  "What comes on '{0}' is not one pulse per second.": "Was auf '{0}' kommt, ist nicht ein Puls je Sekunde.",
  "Wire one pulse per second to that input.": "Einen Puls je Sekunde an diesen Eingang legen.",
  "{0} s are too short to compare clocks.": "{0} s sind zu kurz, um Uhren zu vergleichen.",
  "Fewer than {0} steps of load are in this recording.": "In dieser Aufzeichnung sind weniger als {0} Lastsprünge.",
  "Record an identification, or a coast in which the load comes on and off.":
    "Eine Identifikation aufzeichnen, oder einen Auslauf, in dem die Last kommt und geht.",
  "A diameter of {0} m is {1} % off the rig file.":
    "Ein Durchmesser von {0} m weicht um {1} % von der Prüfstandsdatei ab.",
  "A reading is never exact.": "Eine Ablesung ist nie genau.",
  "A reading is not a length above zero.": "Eine Ablesung ist keine Länge über null.",
  "A roll's diameter needs one kind of reading.": "Der Durchmesser einer Rolle braucht eine Art von Ablesung.",
  "Check the readings and their unit; a different roll belongs into the rig file.":
    "Ablesungen und Einheit prüfen; eine andere Rolle gehört in die Prüfstandsdatei.",
  "Give circumferences across the width, or a distance with its turns.":
    "Umfänge über die Breite angeben, oder eine Strecke mit ihren Umdrehungen.",
  "Give its standard uncertainty.": "Ihre Standardunsicherheit angeben.",
  "No tooth wheel turned for long enough to be learned.": "Kein Zahnrad drehte lange genug, um gelernt zu werden.",
  "Read it again.": "Noch einmal ablesen.",
  "Record some ten seconds of turning rolls, best a coast.":
    "Etwa zehn Sekunden drehender Rollen aufzeichnen, am besten einen Auslauf.",
  "The rig has no roll set '{0}'.": "Der Prüfstand hat keinen Rollensatz '{0}'.",
  "No tune-up has been done.": "Es ist noch nichts abgestimmt worden.",
  "Read it again, then accept it.": "Noch einmal lesen, dann annehmen.",
  "Run an absorber identification first.": "Erst die Bremsen vermessen.",
  "The newest tune-up is that of run {0}, not of {1}.": "Die neueste Abstimmung ist die von Lauf {0}, nicht von {1}.",
  "There is no absorber '{0}'.": "Eine Bremse „{0}“ gibt es nicht.",
  "This rig has {0}.": "Dieser Prüfstand hat {0}.",
  "{0} put the tune-up of {1} in force.": "{0} hat die Abstimmung von {1} in Kraft gesetzt.",
  "{0} went back to the rig file's absorber maps.": "{0} ging zu den Kennfeldern in rig.toml zurück.",
  "{0} went back to the usual tuning.": "{0} ging zur üblichen Abstimmung zurück.",
  "For {0} s altogether the rig could not give what was asked: up to {1} N, {2} N s in sum. Absorbers brake; they cannot drive, nor hold near standstill.":
    "Im Ganzen {0} s lang konnte der Prüfstand nicht geben, was verlangt war: bis {1} N, zusammen {2} N s. Bremsen bremsen; sie können nicht antreiben und nahe dem Stillstand nicht halten.",
  "The margins are of a linear model that knows nothing of tyres and driveline. After accepting a tune-up, try it with a light pedal and people clear of the rolls; go back if the load swings. A software stop is no emergency stop.":
    "Die Reserven gelten für ein lineares Modell, das von Reifen und Antriebsstrang nichts weiß. Eine angenommene Abstimmung mit wenig Pedal probieren, niemand bei den Rollen; schwingt die Last, zurückgehen. Ein Halt durch Software ist kein Not-Halt.",
  "Acceleration is measured over {0} ms; results take the pull of each row from {1} ms later, so that force and speed hold at one instant.":
    "Die Beschleunigung wird über {0} ms gemessen; Ergebnisse nehmen den Zug jeder Zeile von {1} ms später, damit Kraft und Geschwindigkeit im selben Augenblick gelten.",
  "With the power shared {0} it can be run to the end.": "Mit der Aufteilung {0} reicht es bis zum Ende.",
  "A slow channel such as boost is only as fine in time as it is sent (20 values a second on the demo rig).":
    "Ein langsamer Kanal wie der Ladedruck ist zeitlich nur so fein, wie er gesendet wird (im Demo-Prüfstand 20 Werte je Sekunde).",
  "Times of torque have its delay of {0} ms taken off. The onset is blurred by the {1} ms over which acceleration is measured; the intervals hold that.":
    "Von den Zeiten des Moments ist sein Verzug von {0} ms abgezogen. Der Beginn verschwimmt um die {1} ms, über die die Beschleunigung gemessen wird; die Intervalle enthalten das.",
};
