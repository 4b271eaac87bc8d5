"""What the Parquet file of a run says of itself, readable without the measuring chain.

Data flow: metadata of run.parquet -> `read_about` -> ParquetHeader. It stands apart from
daq.results.series.parquet so that an exporting worker loads no compiler: 70 MB that it can spare.
"""

from __future__ import annotations

from pathlib import Path

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from daq.errors import RecordingError
from daq.texts.message import say

FORMAT = "drumlin-run-2"  # 1: force aligned when it was evaluated, absorbers 14 ms late
ABOUT_KEY = b"drumlin"


class ParquetHeader(msgspec.Struct, frozen=True, kw_only=True):
    """What the file says of itself, JSON under the key `drumlin` of its metadata."""

    format: str = FORMAT
    run_id: str
    rig_name: str
    rig_fingerprint: str
    rig_text: str
    plan: msgspec.Raw = msgspec.Raw(b"null")
    version: str  # of Drumlin that recorded it
    evaluated_by: str  # version that made this file
    started_utc: str = ""  # a label
    vehicle: str = ""  # as acknowledged when it was recorded
    utc_s: float | None = None  # UTC of the first row, seconds since 1970; None: not known
    utc_sigma_s: float | None = None  # its standard uncertainty
    device_s: float | None = None  # time_s of the first row
    frames: int = 0
    frames_lost: int = 0


def read_about(path: Path) -> ParquetHeader:
    """What the file says of itself. Raises RecordingError when it is none of ours."""
    try:
        metadata = pq.read_metadata(path).metadata or {}
        return msgspec.json.decode(metadata[ABOUT_KEY], type=ParquetHeader)
    except (OSError, KeyError, pa.ArrowInvalid, msgspec.DecodeError) as error:
        raise RecordingError(
            say("not-parquet-file-run", path=path, error=error),
            say("evaluate-run-again-make-anew-from"),
        ) from None
