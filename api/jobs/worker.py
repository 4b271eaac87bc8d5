"""A worker process: `python -m api.jobs.worker MODULE:CLASS`, one job, then the end.

Data flows: the job as JSON on standard input -> its `run` -> the answer on standard output, or a
Complaint on standard error.
"""

from __future__ import annotations

import importlib
import sys

import msgspec

from api.jobs.job import Complaint, Job
from api.jobs.limits import apply_limits
from daq.errors import DrumlinError


def main(name: str) -> int:
    """Do the job of class `name`."""
    module, _, kind = name.partition(":")
    found = getattr(importlib.import_module(module), kind)
    if not issubclass(found, Job):
        raise TypeError(f"{name} is no job")
    job = msgspec.json.decode(sys.stdin.buffer.read(), type=found)
    apply_limits(job.place(), job.niceness)
    try:
        answer = job.run()
    except MemoryError:
        complaint = Complaint("The work needs more memory than this computer has.", "Ask for less.")
    except DrumlinError as error:
        complaint = Complaint(error.problem, error.remedy, getattr(error, "code", ""))
    else:
        sys.stdout.buffer.write(answer)
        return 0
    print(msgspec.json.encode(complaint).decode(), file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
