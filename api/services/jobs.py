"""Heavy work for services: exports, recordings from elsewhere, evaluations for the proving."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import msgspec

from api.jobs.job import LONG_S, Job
from api.services.export_forms import ExportWish, form_of


class ExportJob(Job, frozen=True):
    folder: str
    form: str
    target: str
    wish: ExportWish = ExportWish()
    largest: int = 0  # bytes reserved for it
    time_limit_s: ClassVar[float] = LONG_S

    def most_bytes(self) -> int:
        return self.largest

    def place(self) -> Path:
        return Path(self.target).parent

    def run(self) -> bytes:
        from api.services.export import export  # noqa: PLC0415

        rows = export(Path(self.folder), form_of(self.form), Path(self.target), self.wish)
        return msgspec.json.encode(rows)


class LookJob(Job, frozen=True):
    """What a recording from elsewhere says of itself."""

    path: str
    loads: ClassVar[tuple[str, ...]] = ("api.store.importing",)

    def run(self) -> bytes:
        from api.store.importing import look  # noqa: PLC0415

        return msgspec.json.encode(look(Path(self.path)))


class ProveJob(Job, frozen=True):
    """Evaluates coasts, wheels, or one run of another verification; keeps nothing."""

    rig: str
    recordings: tuple[str, ...]
    kind: str  # coasts, daily, delay, response, run-out, time-base, wiring
    pulses: str = ""  # time-base: the wheel channel with one pulse per second
    time_limit_s: ClassVar[float] = LONG_S
    loads: ClassVar[tuple[str, ...]] = ("api.services.proving",)

    def run(self) -> bytes:
        from api.services.proving import of_runs  # noqa: PLC0415
        from daq.rig.description import load_rig  # noqa: PLC0415

        rig, paths = load_rig(Path(self.rig)), [Path(path) for path in self.recordings]
        return msgspec.json.encode(of_runs(self.kind, rig, paths, self.pulses))
