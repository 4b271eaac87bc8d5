"""Errors a person can act on: every message says what is wrong and what to do next."""

from __future__ import annotations

from daq.texts.message import Text


class DrumlinError(Exception):
    """Base of every error that Drumlin raises on purpose.

    `problem` says what is wrong, `remedy` what to do next; both are shown to people.
    """

    def __init__(self, problem: Text, remedy: Text) -> None:
        super().__init__(problem, remedy)
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.problem} {self.remedy}"


class RigError(DrumlinError):
    """The rig description cannot be used."""


class WireError(DrumlinError):
    """The front end and the host do not understand each other."""


class LinkError(DrumlinError):
    """The port is missing, busy or refused; it may come, so starting again later makes sense."""

    exit_code = 75  # EX_TEMPFAIL of sysexits.h, for what supervises the process


class Refused(DrumlinError):
    """A command was understood and refused; nothing changed."""

    def __init__(self, problem: Text, remedy: Text, code: str = "refused") -> None:
        super().__init__(problem, remedy)
        self.code = code


class RecordingError(DrumlinError):
    """A recording cannot be written or read."""


class StoreError(DrumlinError):
    """The run catalogue cannot do what was asked."""


class NoSuchRun(StoreError):
    """The catalogue has no run with that id."""
