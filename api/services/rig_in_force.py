"""The rig file that a rig runs with: the one given, or its copy with the calibration laid over it.

Data flow: rig file + calibration.toml of the data directory -> rig-in-force.toml there. Light: the
process that starts all others asks here.
"""

from __future__ import annotations

from pathlib import Path

from api.store.atomic_file import atomic_write
from daq.errors import DrumlinError
from daq.rig.description import parse_rig
from daq.texts.message import say

CALIBRATION_NAME = "calibration.toml"
RIG_IN_FORCE = "rig-in-force.toml"


def in_force(rig: Path, data: Path) -> Path:
    """The rig file to run with: `rig`, or its copy in `data` with the calibration laid over it.

    Raises RigError when the calibration file is damaged, belongs to another rig or does not fit.
    """
    path = data / CALIBRATION_NAME
    if not path.is_file():
        return rig
    # Only now: most starts have no calibration and need not wait for all that a proving loads.
    from daq.proving.overlay import merged, read_calibration  # noqa: PLC0415

    file = read_calibration(path.read_text(encoding="utf-8"), str(path))
    text = rig.read_text(encoding="utf-8")
    name = parse_rig(text, str(rig)).name
    if name != file.rig:
        raise DrumlinError(
            say("belongs-rig-not", path=path, its_rig=file.rig, rig=name),
            say("remove-or-use-data-directory-rig"),
        )
    made = merged(text, file.values, str(rig))
    used = data / RIG_IN_FORCE
    try:
        atomic_write(used, f"# {rig} with {path.name} laid over it\n{made}".encode())
    except OSError as error:
        raise DrumlinError(
            say("cannot-be-written", path=used, error=error), say("check-disk-rights")
        ) from None
    return used
