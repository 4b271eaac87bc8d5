"""Reports made in a process of its own, so that neither loop nor service feels the work.

Data flows: Job as JSON on standard input -> `python -m api.report.worker` -> the report on standard
output. A worker that hangs or fails becomes a ReportError; nothing else is touched.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from pathlib import Path

import msgspec

from api.report.content import About
from daq.errors import DrumlinError

TIME_LIMIT_S = 20.0
NICENESS = 5
LARGEST_BYTES = 32 << 20


class ReportError(DrumlinError):
    """The report could not be made."""


class Job(msgspec.Struct, frozen=True):
    folder: str
    form: str
    about: About


async def render_in_worker(
    folder: Path, form: str, about: About, time_limit_s: float = TIME_LIMIT_S
) -> bytes:
    """The report's bytes. Raises ReportError saying what the worker said."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "api.report.worker",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        start_new_session=True,
    )
    try:
        async with asyncio.timeout(time_limit_s):
            job = msgspec.json.encode(Job(str(folder), form, about))
            output, complaint = await process.communicate(job)
    except TimeoutError:
        raise ReportError(
            f"The report took longer than {time_limit_s:g} s.",
            "Try again when the computer has less to do.",
        ) from None
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode != 0 or not output or len(output) > LARGEST_BYTES:
        lines = complaint.decode(errors="replace").strip().splitlines()
        raise ReportError(
            f"The report could not be made: {lines[-1][:300] if lines else 'no message'}",
            "Evaluate the run again, then ask for the report once more.",
        )
    return output


def main() -> int:
    """Entry of the worker."""
    from api.report.render import render  # noqa: PLC0415 (typefaces and charts: the worker's alone)

    with contextlib.suppress(OSError):
        os.nice(NICENESS)
    job = msgspec.json.decode(sys.stdin.buffer.read(), type=Job)
    try:
        sys.stdout.buffer.write(render(Path(job.folder), job.form, job.about))
    except DrumlinError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
