"""What the service's and the helm process's entries share: arguments, settings, serving, the end.

Data flows: command line -> Settings -> the server that an entry makes -> its exit code.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import sys
from collections.abc import Callable
from pathlib import Path

import uvicorn

from api.http.entry.door import let_open_files
from api.runtime.supervisor import CONFIGURATION_EXIT, parent_gone
from api.settings import Settings, load_settings
from daq.errors import DrumlinError


async def _main(server: uvicorn.Server, supervised: bool) -> None:
    if supervised:

        def gone() -> None:
            server.should_exit = True

        parent_gone(gone)
    await server.serve()
    await asyncio.sleep(0)  # lets the last transports report their end


def run(name: str, make: Callable[[Settings], uvicorn.Server]) -> int:
    """Entry of a process that serves HTTP. Exit code 2 when starting again is no use."""
    parser = argparse.ArgumentParser(prog=f"python -m api.launch.{name}")
    parser.add_argument("--rig", type=Path, required=True)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--settings", type=Path)
    parser.add_argument("--host", default="")
    parser.add_argument("--listen-port", type=int)
    parser.add_argument("--helm-port", type=int)
    parser.add_argument("--supervised", action="store_true", help="end with standard input")
    told = parser.parse_args()
    logging.basicConfig(level=logging.WARNING, format=f"{name}: %(message)s", stream=sys.stderr)
    let_open_files()
    try:
        settings = load_settings(
            told.rig, told.data, told.settings, told.host, told.listen_port, told.helm_port
        )

        async def serve() -> None:
            await _main(make(settings), told.supervised)

        asyncio.run(serve())
    except DrumlinError as error:
        print(f"{name}: {error}", file=sys.stderr)
        return CONFIGURATION_EXIT
    except KeyboardInterrupt:
        return 0
    return 0
