"""What the catalogue knows for a report: whose truck it was, when, what was noted.

Data flow: Catalogue -> About (one run) or Subject (runs before and after) -> api.report. Both
block. Owners' names leave the catalogue here only, for the report itself.
"""

from __future__ import annotations

from collections.abc import Sequence

from api.report.content import RunDetails, Subject
from api.store import vehicle_records
from api.store.catalogue import Catalogue, Run
from daq.texts.reader import USUAL, Reader

NOTES = 6  # the newest; a report has two pages


def about_of(catalogue: Catalogue, run: Run, number: int = 0, reader: Reader = USUAL) -> RunDetails:
    """What the report says of a run beside its result; `number` 0 is the newest evaluation."""
    return RunDetails(
        run.id,
        run.vehicle,
        _owner(catalogue, run.vehicle),
        run.started_at,
        run.rig_name,
        tuple(note.text for note in run.notes[-NOTES:]),
        number or len(vehicle_records.evaluations_of(catalogue, run.id)),
        reader,
    )


def subject_of(catalogue: Catalogue, run_ids: Sequence[str], reader: Reader = USUAL) -> Subject:
    """What a before/after report says beside the comparison: the vehicles, the dates, the notes."""
    runs = [run for run in (catalogue.run(run_id) for run_id in run_ids) if run is not None]
    vehicles = list(dict.fromkeys(run.vehicle for run in runs if run.vehicle))
    rigs = list(dict.fromkeys(run.rig_name for run in runs if run.rig_name))
    notes = [f"{run.id}: {note.text}" for run in runs for note in run.notes]
    return Subject(
        ", ".join(vehicles[:3]),
        _owner(catalogue, vehicles[0]) if len(vehicles) == 1 else "",
        ", ".join(rigs[:2]),
        tuple(run.started_at for run in runs if run.started_at),
        tuple(notes[-NOTES:]),
        reader,
    )


def _owner(catalogue: Catalogue, vehicle: str) -> str:
    known = {each.name: each.owner for each in vehicle_records.all_vehicles(catalogue)}
    return known.get(vehicle, "")
