"""A worker process: one job, then the end.

Data flows: the job as JSON on the socket, its length before it -> its `run` -> the answer on the
socket, or a Complaint.
"""

from __future__ import annotations

import socket
import struct

import msgspec

from api.jobs.job import Complaint, Job
from api.jobs.limits import apply_limits
from daq.errors import DrumlinError
from daq.texts.message import say

LENGTH = struct.Struct("!Q")
DONE, COMPLAINED = 0, 1  # exit codes


def main(kind: type[Job], line: socket.socket) -> int:
    """Do the job of that kind that comes by `line`."""
    with line.makefile("rb") as asked:
        (length,) = LENGTH.unpack(asked.read(LENGTH.size))
        job = msgspec.json.decode(asked.read(length), type=kind)
    apply_limits(job.place(), kind.niceness, kind.memory_mb, job.most_bytes())
    try:
        answer = job.run()
    except MemoryError:
        complaint = Complaint(say("work-needs-more-memory-than-may"), say("ask-for-less"))
    except DrumlinError as error:
        complaint = Complaint(error.problem, error.remedy, getattr(error, "code", ""))
    else:
        line.sendall(answer)
        return DONE
    line.sendall(msgspec.json.encode(complaint))
    return COMPLAINED
