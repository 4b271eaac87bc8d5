"""The session with the front end: who may command it, and what a greeting means.

Data flow: Hello -> checks against the rig file -> Chain and channel places, or a fault. The host
opens a session by ASK_IDENTITY with a number that is random at its start and goes on by one each
time the line is opened. So a greeting with another number or a new boot id is a restart of one
side: never a resume.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from daq.errors import WireError
from daq.measure.measured import Measured
from daq.measure.speed.tooth_errors import ToothTable
from daq.rig.description import Rig
from daq.wire.consistency import SampleCheck
from daq.wire.frame_kernel import FIRST_WHEEL, WHEELS
from daq.wire.frames import PROTOCOL_MAJOR, AskIdentity, ChannelKind, Hello, Sample, Slow

ASK_EVERY_S = 1.0


class ChainLike(Protocol):
    """What the core needs of daq.measure.chain.Chain."""

    learned_ratio: float

    @property
    def now_s(self) -> float: ...
    def update(self, sample: Sample) -> Measured: ...
    def slow(self, frame: Slow) -> None: ...
    def feed_slow(self, name: str, value: float, time_s: float) -> None: ...
    def take_zeros(self) -> dict[str, float]: ...
    def restore_zeros(self, counts: Mapping[str, float]) -> None: ...
    def learn_teeth(self, on: bool) -> None: ...
    def learn_ratio(self) -> float: ...
    def tooth_tables(self) -> dict[str, ToothTable]: ...
    def restore_tooth_tables(self, tables: dict[str, ToothTable]) -> None: ...


ChainMaker = Callable[[Rig, Hello], ChainLike]


class Session:
    """Number, greeting, chain and channel places of the session in force."""

    def __init__(self, rig: Rig, number: int, make_chain: ChainMaker) -> None:
        self._rig = rig
        self._make_chain = make_chain
        self.number = number & 0xFFFFFFFF or 1
        self.live = False
        self.hello: Hello | None = None
        self.chain: ChainLike | None = None
        self.mismatch = ""  # why the front end does not fit, "" when it does
        self._asked_s: float | None = None
        self.cell_places: tuple[int, ...] = ()
        self.fan_bits: Mapping[str, int] = {}
        self.all_fans = 0
        self.output_places: tuple[int, ...] = ()
        self._channels = bytes(3)  # wheels, converters, outputs, as greeted
        self._check: SampleCheck | None = None

    def fits(self, sample: Sample) -> bool:
        """Whether a sample has the channels that the greeting named."""
        return sample.body[WHEELS:FIRST_WHEEL] == self._channels

    def contradiction(self, sample: Sample) -> str:
        """What docs/wire.md makes impossible in this sample, "" when nothing is."""
        if not self.fits(sample):
            return "channels other than the greeting told"
        return self._check.contradiction(sample) if self._check is not None else ""

    def ask(self, now_s: float) -> tuple[AskIdentity, ...]:
        """The question for identity, when it is due."""
        if self.live or self.mismatch:
            return ()
        if self._asked_s is not None and now_s - self._asked_s < ASK_EVERY_S:
            return ()
        self._asked_s = now_s
        return (AskIdentity(self.number),)

    def reopen(self) -> None:
        """The line was opened anew: whoever is at its other end now, begin with a new session.

        The greeting of a board that booted meanwhile may have been missed, so nothing that was
        known of it holds: neither its clock nor its channels.
        """
        self.number = (self.number + 1) & 0xFFFFFFFF or 1  # also after a mismatch: none twice
        self.live = False
        self.mismatch = ""
        self.chain = None
        self.hello = None
        self._asked_s = None

    def greet(self, hello: Hello, now_s: float) -> tuple[str, str]:
        """Take a Hello. Returns the fault it means and its detail ("" when none).

        After it `live` says whether the session is ours; if not, `ask` is due at once.
        """
        was_live, before = self.live, self.hello
        problem = self._unfit(hello)
        if problem:
            self.live = False
            self.mismatch = problem
            return "wire-mismatch", problem
        self.mismatch = ""
        if hello.session == self.number and not (
            was_live and before is not None and hello.boot_id != before.boot_id
        ):
            if self.chain is None or before is None or before.boot_id != hello.boot_id:
                try:
                    self._bind(hello)
                except WireError as error:
                    self.live = False
                    self.mismatch = str(error)
                    return "wire-mismatch", str(error)
            self.hello = hello
            self.live = True
            return "", ""
        self.live = False
        self.chain = None
        self.hello = None
        self._asked_s = None
        if not was_live or before is None:
            return "", ""
        self.number = (self.number + 1) & 0xFFFFFFFF or 1
        if hello.boot_id != before.boot_id:
            return "front-end-restarted", f"reset cause {hello.reset_cause.name.lower()}"
        return "session-lost", f"session {hello.session}"

    def _unfit(self, hello: Hello) -> str:
        if hello.major != PROTOCOL_MAJOR:
            return (
                f"it speaks protocol {hello.major}.{hello.minor}, this host {PROTOCOL_MAJOR}.x: "
                "update the older side"
            )
        if hello.frame_hz != self._rig.frame_hz:
            return (
                f"it sends {hello.frame_hz} frames/s, rig.toml says {self._rig.frame_hz}: "
                "make both the same"
            )
        return ""

    def _bind(self, hello: Hello) -> None:
        self.chain = self._make_chain(self._rig, hello)  # raises WireError for missing channels
        converters = hello.names(ChannelKind.CONVERTER)
        outputs = hello.names(ChannelKind.OUTPUT)
        fans = hello.names(ChannelKind.DIGITAL_OUT)
        ceiling = {one.output: one.forcing_a for one in self._rig.absorbers}
        self._check = SampleCheck(hello, [ceiling.get(name, 655.35) for name in outputs])
        wheels = hello.names(ChannelKind.WHEEL)
        self._channels = bytes((len(wheels), len(converters), len(outputs)))
        self.cell_places = tuple(
            converters.index(absorber.cell.converter) for absorber in self._rig.absorbers
        )
        self.output_places = tuple(
            outputs.index(absorber.output) for absorber in self._rig.absorbers
        )
        self.fan_bits = {
            absorber.fan: 1 << fans.index(absorber.fan)
            for absorber in self._rig.absorbers
            if absorber.fan in fans
        }
        self.all_fans = sum(set(self.fan_bits.values()))
