"""Work done in a fork of this moment, so that many cases can go on from one state of a rig."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from typing import TypeVar

import msgspec

ResultT = TypeVar("ResultT")
LONGEST_S = 120


def forked(work: Callable[[], ResultT], kind: type[ResultT], name: str) -> ResultT | None:
    """What `work` gives, done in a fork; None when it raised (said on standard error)."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.close(ours)
            signal.alarm(LONGEST_S)
            found = work()
            with os.fdopen(theirs, "wb") as out:
                out.write(msgspec.json.encode(found))
            status = 0
        except BaseException as error:  # told to the parent, which counts it as a failure
            print(f"{name}: {error!r}", file=sys.stderr)
        finally:
            os._exit(status)
    os.close(theirs)
    with os.fdopen(ours, "rb") as told:
        body = told.read()
    os.waitpid(child, 0)
    return msgspec.json.decode(body, type=kind) if body else None
