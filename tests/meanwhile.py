"""Something that goes on beside a test: a helm that is kept, a driver who follows."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def meanwhile(do: Callable[[], object], every_s: float) -> Iterator[None]:
    """Do it again and again until the end of the block; what is refused is tried the next time."""
    done = threading.Event()

    def again() -> None:
        while not done.wait(every_s):
            with contextlib.suppress(OSError):
                do()

    thread = threading.Thread(target=again)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()
