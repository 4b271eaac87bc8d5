"""What closing a run tells about it; as JSON it is the answer of the worker."""

from __future__ import annotations

from typing import Any

import msgspec

from daq.texts.message import Text


class Closed(msgspec.Struct, frozen=True):
    """A run after replay. `error` is "" when run.parquet and result.json were written."""

    complete: bool  # False: the recording stops without an end, so something died
    frames: int = 0
    raw_bytes: int = 0
    reason: Text = ""  # how it ended
    error: Text = ""
    rig_name: str = ""
    rig_fingerprint: str = ""
    kind: str = ""
    vehicle: str = ""  # as told when it was started
    started_at: str = ""
    ended_at: str = ""
    software: str = ""
    plan: Any = None
    conditions: Any = None
    result: Any = None
