"""The proving record of a data directory, and the verifications that write into it.

Data flows: recordings, dead-weight files, zeros of the running rig -> daq.proving.record ->
proving.json; its values -> calibration.toml, laid over the rig file at the next start. The command
and the HTTP routes both work through here.
"""

from __future__ import annotations

import contextlib
import csv
import io
import tomllib
from collections.abc import Sequence
from pathlib import Path

import msgspec

from api.folders import MEMORY_NAME, RAW_NAME, raw_of
from api.runtime.host_clock import clock_disciplined
from api.runtime.memory_file import read_memory
from api.services.rig_in_force import CALIBRATION_NAME
from api.store.atomic_file import atomic_write
from daq.errors import DrumlinError, Refused
from daq.proving.calibration import CalibrationArm, DeadWeight, calibrate
from daq.proving.clock import Reference, against_host, against_pulses, of_time_base
from daq.proving.diagnosis import diagnose
from daq.proving.overlay import CalibrationFile, merged, write_calibration
from daq.proving.quick_checks import daily_coasts, of_daily, of_shunt
from daq.proving.record import (
    Proof,
    Proving,
    absorber_named,
    of_coasts,
    of_dead_weight,
    of_delay,
    of_zeros,
)
from daq.proving.response import of_response, responses
from daq.proving.rolls import RollRadius, of_diameter, of_run_out
from daq.proving.runs import Track, delays, identify, read_track
from daq.proving.tooth_pattern import tooth_pattern
from daq.proving.wiring import loads_seen, of_wiring
from daq.quantities import POUND
from daq.recording.reader import Recording
from daq.rig.description import Rig
from daq.texts.message import say
from daq.texts.published import written
from daq.wall_clock import today

PROVING_NAME = "proving.json"
MOST_ROWS = 500


def read_proving(data: Path) -> Proving:
    """The record; empty before the first proof. Raises DrumlinError when it cannot be read."""
    path = data / PROVING_NAME
    try:
        return msgspec.json.decode(path.read_bytes(), type=Proving)
    except FileNotFoundError:
        return Proving()
    except (OSError, msgspec.MsgspecError) as error:
        raise DrumlinError(
            say("cannot-be-read", path=path, error=error), say("restore-from-copy-or-move-away")
        ) from None


def keep(data: Path, rig: Rig, proofs: Sequence[Proof]) -> Proving:
    """Add proofs to the record and name causes, safely over a crash. Raises DrumlinError."""
    after = read_proving(data).with_(proofs)
    after = msgspec.structs.replace(after, rig=rig.name, causes=diagnose(rig, after))
    _write(data / PROVING_NAME, msgspec.json.format(msgspec.json.encode(written(after)), indent=1))
    return after


def expect_same_rig(proving: Proving, rig: Rig) -> None:
    """Raises Refused when the record is of another rig than the file."""
    if proving.rig and proving.rig != rig.name:
        raise Refused(
            say("proving-in-directory-rig-not", its_rig=proving.rig, rig=rig.name),
            say("give-rig-file-with-rig-or"),
            "other-rig",
        )


def _write(path: Path, content: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        atomic_write(path, content)
    except OSError as error:
        raise DrumlinError(
            say("cannot-be-written", path=path, error=error), say("check-disk-rights")
        ) from None


# --- verifications ---------------------------------------------------------------------------


def prove_zero(rig: Rig, data: Path) -> list[Proof]:
    """The zeros that the running rig took last, against the calibrated ones. Raises Refused."""
    counts = zeros_in_use(data)
    if not counts:
        raise Refused(
            say("no-zero-has-been-taken-on"),
            say("take-zeros-with-rolls-at-rest"),
            "zeros-missing",
        )
    return of_zeros(rig, counts, today(), "zeros in use")


def zeros_in_use(data: Path) -> dict[str, float]:
    """Converter counts that the running rig takes as zero, by absorber. Raises DrumlinError."""
    kept = read_memory(data / MEMORY_NAME)
    if kept is None:
        return {}
    return {
        name: one.zero_count for name, one in kept.absorbers.items() if one.zero_count is not None
    }


def prove_dead_weight(
    rig: Rig, absorber: str, loads: Sequence[DeadWeight], setup: CalibrationArm, basis: str
) -> list[Proof]:
    """Calibrate a cell from dead weights and raw counts. Raises Refused when they cannot do it.

    An arm of negative sign turns the counts round: the rig file keeps the slope positive.
    """
    one = absorber_named(rig, absorber)
    turned = [msgspec.structs.replace(load, count=one.arm_sign * load.count) for load in loads]
    found = calibrate(turned, setup, one.cell)
    found = msgspec.structs.replace(found, zero_count=one.arm_sign * found.zero_count)
    return [of_dead_weight(rig, absorber, found, setup, today(), basis)]


def prove_coasts(rig: Rig, recordings: Sequence[Path]) -> list[Proof]:
    """Base inertia and losses from coasts of free rolls. Raises Refused, RecordingError."""
    tracks = [track_of(path, rig) for path in recordings]
    return of_coasts(rig, identify(tracks, rig), today(), _names(recordings))


def prove_delay(rig: Rig, recording: Path) -> list[Proof]:
    """Delay between force and speed from a coast with steps of load. Raises Refused."""
    return of_delay(rig, delays(track_of(recording, rig), rig), today(), _names([recording]))


def prove_response(rig: Rig, recording: Path) -> list[Proof]:
    """How soon the force follows steps that are asked of the supplies. Raises Refused."""
    found = responses(track_of(recording, rig), rig)
    return of_response(rig, found, today(), _names([recording]))


def prove_daily(rig: Rig, recording: Path) -> list[Proof]:
    """Whether one short coast of free rolls goes as the rig file says. Raises Refused."""
    found = daily_coasts(track_of(recording, rig), rig)
    return of_daily(rig, found, today(), _names([recording]))


def prove_shunt(
    rig: Rig, absorber: str, expected_mv_per_v: float, read_n: tuple[float, float, float]
) -> list[Proof]:
    """A cell with a known resistor across its bridge. Raises Refused."""
    return [of_shunt(rig, absorber, expected_mv_per_v, read_n, today())]


def prove_run_out(rig: Rig, recordings: Sequence[Path]) -> list[Proof]:
    """Pitch errors, run-out and number of teeth of the wheels, from coasts. Raises Refused."""
    tracks = [track_of(path, rig) for path in recordings]
    patterns = {}
    for place, roll_set in enumerate(rig.roll_sets):
        with contextlib.suppress(Refused):  # a run without a coast still shows the learner's table
            patterns[roll_set.name] = tooth_pattern(tracks, rig, place)
    return of_run_out(rig, tracks[0].teeth, patterns, today(), _names(recordings))


def prove_wiring(rig: Rig, recording: Path) -> list[Proof]:
    """Whether each absorber's load arrives at its own cell and roll set. Raises Refused."""
    found = loads_seen(track_of(recording, rig), rig)
    return of_wiring(rig, found, today(), _names([recording]))


def prove_time_base(recording: Path, pulses: str = "") -> list[Proof]:
    """The front end's clock against this computer's, or against pulses. Raises Refused.

    `pulses`: a wheel channel with one pulse per second. Whether network time slews this computer's
    clock is asked now: prove on the computer that recorded, soon after.
    """
    records, basis = Recording(recording), _names([recording])
    if pulses:
        found, reference = against_pulses(records, pulses), Reference.PULSE
    else:
        reference = Reference.DISCIPLINED if clock_disciplined() else Reference.FREE
        found = against_host(records)
    return [of_time_base(found, reference, today(), f"{basis}, {reference.value}")]


def prove_diameter(rig: Rig, roll_set: str, found: RollRadius, basis: str) -> list[Proof]:
    """The diameter of a roll set from readings. Raises Refused."""
    return [of_diameter(rig, roll_set, found, today(), basis)]


def of_runs(kind: str, rig: Rig, recordings: Sequence[Path], pulses: str = "") -> list[Proof]:
    """The verification of that kind from its recordings: one, but for coasts and run-out.

    Raises Refused, RecordingError.
    """
    match kind:
        case "coasts":
            return prove_coasts(rig, recordings)
        case "run-out":
            return prove_run_out(rig, recordings)
    (recording,) = recordings
    match kind:
        case "delay":
            return prove_delay(rig, recording)
        case "daily":
            return prove_daily(rig, recording)
        case "response":
            return prove_response(rig, recording)
        case "wiring":
            return prove_wiring(rig, recording)
        case "time-base":
            return prove_time_base(recording, pulses)
    raise Refused(say("there-no-verification", kind=kind), say("see-drumlin-prove-help"), "kind")


def track_of(path: Path, rig: Rig) -> Track:
    return read_track(Recording(path), rig)


def _names(paths: Sequence[Path]) -> str:
    return ", ".join(path.parent.name if path.name == RAW_NAME else path.name for path in paths)


def recording_of(data: Path, run: str) -> Path:
    """A run id, or the path of a recording. Raises Refused when there is none."""
    for path in (raw_of(data, run), Path(run)):
        if path.is_file():
            return path
    raise Refused(say("there-no-recording", run=run), say("give-run-id-or-path-raw"), "no-run")


def read_loads(text: str) -> list[DeadWeight]:
    """Dead weights from CSV: mass_kg or mass_lb, count, if wanted rising (1/0) and side (1, 0, -1).

    Without `rising` the order of the masses says it. Raises Refused with the line that cannot be
    read.
    """
    found: list[DeadWeight] = []
    for number, row in enumerate(csv.DictReader(io.StringIO(text)), start=2):
        if number > MOST_ROWS:
            raise Refused(
                say("far-too-many-load-steps"), say("give-at-most", most=MOST_ROWS), "calibration"
            )
        try:
            mass = float(row["mass_lb"]) * POUND if "mass_lb" in row else float(row["mass_kg"])
            said = (row.get("rising") or "").strip().lower()
            in_order = not found or mass >= found[-1].mass_kg
            rising = said in ("1", "true", "yes") if said else in_order
            found.append(DeadWeight(mass, float(row["count"]), rising, int(row.get("side") or 1)))
        except (KeyError, TypeError, ValueError) as error:
            raise Refused(
                say("line-load-steps-cannot-be-read", number=number, error=error),
                say("write-columns-mass-kg-or-mass"),
                "calibration",
            ) from None
    return found


def read_setup(text: str, rig: Rig) -> CalibrationArm:
    """How the weights hang, from TOML; the rig's site gives the latitude. Raises Refused."""
    try:
        told = {
            "latitude_deg": rig.site.latitude_deg,
            "altitude_m": rig.site.altitude_m,
            **tomllib.loads(text),
        }
        return msgspec.convert(told, CalibrationArm)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise Refused(
            say("set-up-weights-cannot-be-read", error=error),
            say("give-at-least-calibration-arm-m"),
            "calibration",
        ) from None


# --- what follows from it ----------------------------------------------------------------------


def write_overlay(rig: Rig, rig_text: str, data: Path) -> CalibrationFile:
    """calibration.toml from the newest passed proofs, once it is known to fit the rig file.

    Raises Refused when nothing was proven, RigError when the rig file cannot take the values.
    """
    proving = read_proving(data)
    expect_same_rig(proving, rig)
    values = proving.values()
    if not values:
        raise Refused(
            say("no-proof-passed-has-values-for"),
            say("prove-something-first-drumlin-prove-coasts"),
            "nothing-proven",
        )
    merged(rig_text, values)
    file = CalibrationFile.of(rig.name, values)
    _write(data / CALIBRATION_NAME, write_calibration(file).encode())
    return file
