"""Heavy work in a process of its own: reports, exports, evaluations. The service does not feel it.

Data flows: Job as JSON on standard input -> `python -m api.http.heavy_work` -> the answer on
standard output. A worker that hangs or fails becomes a WorkError; what it was writing is not there.
One job of a kind is done at a time, some wait, more are refused: whoever may only watch can ask for
many.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from weakref import WeakKeyDictionary

import msgspec

from api.jobs.limits import apply_limits
from api.report.content import RunDetails, Subject
from daq.errors import DrumlinError, Refused
from daq.results.result import EvaluationSettings

TIME_LIMIT_S = 20.0
LONG_S = 900.0
NICENESS = 5
LARGEST_BYTES = 64 << 20
WAITING = 8  # jobs of a kind beside the one that is done


class WorkError(DrumlinError):
    """The work could not be done."""


class Busy(WorkError):
    """Too much of that kind waits already."""


class ReportJob(msgspec.Struct, frozen=True, tag="report"):
    folder: str
    form: str
    about: RunDetails


class GainReportJob(msgspec.Struct, frozen=True, tag="gain-report"):
    """The report of runs before and after a change."""

    runs_folder: str
    before: tuple[str, ...]
    after: tuple[str, ...]
    form: str
    subject: Subject
    quantity: str = ""
    level: float = 0.95


class ExportJob(msgspec.Struct, frozen=True, tag="export"):
    folder: str
    form: str
    target: str
    columns: tuple[str, ...] = ()


class EvaluateJob(msgspec.Struct, frozen=True, tag="evaluate"):
    """Evaluates without keeping: the caller numbers and keeps the answer."""

    folder: str
    settings: EvaluationSettings


class LookJob(msgspec.Struct, frozen=True, tag="look"):
    """What a recording from elsewhere says of itself."""

    path: str


class ProveJob(msgspec.Struct, frozen=True, tag="prove"):
    """Evaluates coasts, or one run of another verification, for the proving; keeps nothing."""

    rig: str
    recordings: tuple[str, ...]
    kind: str  # coasts, delay, response, run-out, time-base
    pulses: str = ""  # time-base: the wheel channel with one pulse per second


Job = ReportJob | GainReportJob | ExportJob | EvaluateJob | LookJob | ProveJob


class Complaint(msgspec.Struct, frozen=True):
    """Why a worker gave up, on its standard error."""

    problem: str
    remedy: str
    code: str = ""


class _Desk:
    """Where jobs of one kind wait for their turn."""

    def __init__(self) -> None:
        self.turn = asyncio.Lock()
        self.waiting = 0


_desks: WeakKeyDictionary[asyncio.AbstractEventLoop, dict[type, _Desk]] = WeakKeyDictionary()


@contextlib.asynccontextmanager
async def _turn(kind: type) -> AsyncIterator[None]:
    """Wait until no other job of that kind is done. Raises Busy when many wait."""
    desks = _desks.setdefault(asyncio.get_running_loop(), {})
    desk = desks.setdefault(kind, _Desk())
    if desk.waiting > WAITING:
        raise Busy("Too many such jobs wait already.", "Try again when some are done.")
    desk.waiting += 1
    try:
        async with desk.turn:
            yield
    finally:
        desk.waiting -= 1


async def work(job: Job, time_limit_s: float = TIME_LIMIT_S) -> bytes:
    """Have a job done. Raises Refused as the worker did, else WorkError; cancelling ends it."""
    async with _turn(type(job)):
        return await _work(job, time_limit_s)


async def _work(job: Job, time_limit_s: float) -> bytes:
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "api.http.heavy_work",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={
            **os.environ,
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
            "ARROW_IO_THREADS": "1",
        },
        start_new_session=True,
    )
    try:
        async with asyncio.timeout(time_limit_s):
            output, told = await process.communicate(msgspec.json.encode(job))
    except TimeoutError:
        raise WorkError(
            f"The work took longer than {time_limit_s:g} s.",
            "Try again when the computer has less to do.",
        ) from None
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode == 0 and len(output) <= LARGEST_BYTES:
        return output
    lines = told.decode(errors="replace").strip().splitlines()
    try:
        complaint = msgspec.json.decode(lines[-1] if lines else "", type=Complaint)
    except msgspec.DecodeError:
        last = lines[-1][:300] if lines else "no message"
        raise WorkError(
            f"The work failed ({process.returncode}): {last}", "Evaluate the run again, then retry."
        ) from None
    if complaint.code:
        raise Refused(complaint.problem, complaint.remedy, complaint.code)
    raise WorkError(complaint.problem, complaint.remedy)


def do(job: Job) -> bytes:
    """The work itself. Raises DrumlinError saying why it cannot be done."""
    # Imported here: each job loads only what it needs.
    if isinstance(job, ReportJob):
        from api.report.render import render  # noqa: PLC0415

        return render(Path(job.folder), job.form, job.about)
    if isinstance(job, GainReportJob):
        from api.report.render import render_gain  # noqa: PLC0415

        return render_gain(
            Path(job.runs_folder), job.before, job.after, job.form, job.subject, job.quantity,
            job.level,
        )  # fmt: skip
    if isinstance(job, ExportJob):
        from api.services.export import export  # noqa: PLC0415

        rows = export(Path(job.folder), job.form, Path(job.target), job.columns)
        return msgspec.json.encode(rows)
    if isinstance(job, LookJob):
        from api.store.importing import look  # noqa: PLC0415

        return msgspec.json.encode(look(Path(job.path)))
    if isinstance(job, ProveJob):
        from api.services.proving import of_one_run, prove_coasts  # noqa: PLC0415
        from daq.rig.description import load_rig  # noqa: PLC0415

        rig, paths = load_rig(Path(job.rig)), [Path(path) for path in job.recordings]
        if job.kind == "coasts":
            return msgspec.json.encode(prove_coasts(rig, paths))
        return msgspec.json.encode(of_one_run(job.kind, rig, paths[0], job.pulses))
    from api.store.evaluating import evaluate_folder  # noqa: PLC0415

    return msgspec.json.encode(evaluate_folder(Path(job.folder), job.settings))


def _place(job: Job) -> Path:
    """A path on the disk that the job writes to, if it writes."""
    return Path(job.target).parent if isinstance(job, ExportJob) else Path()


def main() -> int:
    """Entry of the worker."""
    job = msgspec.json.decode(sys.stdin.buffer.read(), type=Job)
    apply_limits(_place(job), NICENESS)
    try:
        sys.stdout.buffer.write(do(job))
    except MemoryError:
        complaint = Complaint("The work needs more memory than this computer has.", "Ask for less.")
        print(msgspec.json.encode(complaint).decode(), file=sys.stderr)
        return 1
    except DrumlinError as error:
        complaint = Complaint(error.problem, error.remedy, getattr(error, "code", ""))
        print(msgspec.json.encode(complaint).decode(), file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
