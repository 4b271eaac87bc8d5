"""Runs one closing in a process of its own: started fresh, niced, with a time limit.

Data flows: run folder -> `python -m api.store.close_run FOLDER` -> Closed on its standard output.
A worker that hangs, crashes or says nonsense becomes a Closed with an error; the raw recording is
never touched.
"""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path

import msgspec

from api.jobs.closing_result import Closed

TIME_LIMIT_S = 1800.0
OUTPUT_LIMIT_BYTES = 8 << 20
_ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
    "ARROW_IO_THREADS": "1",
}


async def close_in_worker(folder: Path, time_limit_s: float = TIME_LIMIT_S) -> Closed:
    """Close the run in `folder`. Never raises for what the worker does; cancelling kills it."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "api.store.close_run",
        str(folder),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, **_ONE_THREAD},
        start_new_session=True,  # Ctrl-C ends the service, which then ends its worker
    )
    try:
        async with asyncio.timeout(time_limit_s):
            output, complaint = await process.communicate()
    except TimeoutError:
        return Closed(False, error=f"Evaluation took longer than {time_limit_s:g} s.")
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode != 0 or len(output) > OUTPUT_LIMIT_BYTES:
        lines = complaint.decode(errors="replace").strip().splitlines()
        last = lines[-1][:300] if lines else "no message"
        return Closed(False, error=f"Evaluation failed ({process.returncode}): {last}")
    try:
        return msgspec.json.decode(output, type=Closed)
    except msgspec.DecodeError as error:
        return Closed(False, error=f"Evaluation gave no usable answer: {error}.")
