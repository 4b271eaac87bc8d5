"""Commands to the core: each is answered, accepted or refused with a reason.

Data flow: service (HTTP, page) -> local channel -> Core.step(..., commands) -> Answer.
`holder` is the caller's stable id; whoever is not at the helm can only watch and ease off.
"""

from __future__ import annotations

import msgspec

from control.test_kinds.plans import Plan
from daq.texts.message import Text


class Command(msgspec.Struct, frozen=True, tag_field="command", forbid_unknown_fields=True):
    """Base of all commands; `id` pairs the answer with it."""

    id: int


class TakeHelm(Command, frozen=True, tag="take-helm"):
    holder: str
    name: str  # shown to everyone


class KeepHelm(Command, frozen=True, tag="keep-helm"):
    holder: str


class ReleaseHelm(Command, frozen=True, tag="release-helm"):
    holder: str


class OfferHelm(Command, frozen=True, tag="offer-helm"):
    """The holder consents to hand over to whoever asked (`to`)."""

    holder: str
    to: str


class AskHelm(Command, frozen=True, tag="ask-helm"):
    """Somebody else asks for the helm; the holder sees it and may offer."""

    holder: str
    name: str


class Acknowledge(Command, frozen=True, tag="acknowledge"):
    """Cautions read and tie-downs checked, by the person at the helm.

    `vehicle`: the one on the rolls; a test of another one is refused. "": not said. Its engine
    idles at `idle_rpm` and turns at `max_rpm` at most; None: not known, the rig file's go.
    """

    holder: str
    vehicle: str = ""
    idle_rpm: float | None = None
    max_rpm: float | None = None


class ZeroCells(Command, frozen=True, tag="zero-cells"):
    """Take the load-cell zeros; only parked, at rest and without current for two seconds."""

    holder: str


class MakeReady(Command, frozen=True, tag="make-ready"):
    holder: str


class StartTest(Command, frozen=True, tag="start-test"):
    holder: str
    run_id: str
    plan: Plan
    vehicle: str = ""  # whose test it is; must be the one acknowledged, when that was said


class Adjust(Command, frozen=True, tag="adjust"):
    """Change the running test's set point (in the plan's unit: rad/s, m/s, N, W), rate-limited."""

    holder: str
    set_point: float
    quantity: str = ""  # hold another one from now on: rpm, speed, force, power


class EaseOff(Command, frozen=True, tag="ease-off"):
    """Take the load off in order. Anybody may, helm or not."""

    holder: str
    name: str = ""  # shown to everyone; the helm's own when left out


class Park(Command, frozen=True, tag="park"):
    holder: str


class ResetTrip(Command, frozen=True, tag="reset-trip"):
    holder: str


class LearnRatio(Command, frozen=True, tag="learn-ratio"):
    """Take the present engine speed / roll speed as the ratio of the locked gear."""

    holder: str


class SlowValue(Command, frozen=True, tag="slow-value"):
    """A slow channel fed from outside the front end (MQTT), in the rig file's unit."""

    name: str
    value: float
    age_s: float = 0.0


class AcceptTuneUp(Command, frozen=True, tag="accept-tune-up"):
    """Put in force what the tune-up of run `run_id` advised; only parked."""

    holder: str
    run_id: str


class DropTuneUp(Command, frozen=True, tag="drop-tune-up"):
    """Back to the usual tuning; only parked."""

    holder: str


class DropIdentified(Command, frozen=True, tag="drop-identified"):
    """Back to the rig file's map and lags for these absorbers; only parked."""

    holder: str
    absorbers: tuple[str, ...] = ()  # empty: all


AnyCommand = (
    TakeHelm
    | KeepHelm
    | ReleaseHelm
    | OfferHelm
    | AskHelm
    | Acknowledge
    | ZeroCells
    | MakeReady
    | StartTest
    | Adjust
    | EaseOff
    | Park
    | ResetTrip
    | LearnRatio
    | SlowValue
    | AcceptTuneUp
    | DropTuneUp
    | DropIdentified
)


class Answer(msgspec.Struct, frozen=True):
    """`accepted`, or refused with a code, a reason and what to do next."""

    id: int
    accepted: bool
    code: str = ""
    reason: Text = ""
    remedy: Text = ""
