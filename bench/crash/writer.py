"""Records and changes a catalogue until it is killed, for bench.crash; says what it has done.

`python -m bench.crash.writer FOLDER`
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path
from typing import NoReturn

from api.store import vehicle_records
from api.store.catalogue import Catalogue, NewRun, Note
from daq.recording.recorder import RawRecorder, RecordKind

FRAMES_A_SECOND = 500


class Writer:
    """Two threads that write; each line told is one fact."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()

    def tell(self, *words: object) -> None:
        """One line to whoever kills us."""
        with self._lock:
            print(*words, flush=True)

    def change(self) -> None:
        """Runs with note, tags and evaluation, one after the other."""
        catalogue = Catalogue.open(self.folder)
        for number in range(1_000_000):
            run_id = f"20260101-{number:06d}-abcd"
            catalogue.begin_run(NewRun(run_id, "r", "f", "steady-hold", "t", "Pickup"))
            catalogue.add_note(run_id, Note("t", "me", "x" * 500))
            catalogue.set_tags(run_id, ["one", "two"])
            told = vehicle_records.Evaluation(run_id, 0, "t", "me", "1", {}, "a", True)
            vehicle_records.note_evaluation(catalogue, told, {"answer": "a"})
            self.tell("done", run_id)

    def record(self) -> NoReturn:
        """Numbered frames at the rate of a rig."""
        recorder = RawRecorder(self.folder / "raw.drm")
        self.tell("ready")
        threading.Thread(target=self.change, daemon=True).start()
        began, number = time.monotonic(), 0
        while True:
            number += 1
            time.sleep(max(0.0, began + number / FRAMES_A_SECOND - time.monotonic()))
            frame = number.to_bytes(4, "little") * 19
            if not recorder.append(RecordKind.RX, time.monotonic_ns(), frame):
                self.tell("dropped")
            if number % 10 == 0:
                self.tell("at", time.monotonic_ns(), number)


if __name__ == "__main__":
    Writer(Path(sys.argv[1])).record()
