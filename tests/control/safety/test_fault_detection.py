"""Each numeric condition at both sides of its edge, one frame at a time."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from control.load_loop.records import ABSORBER, LOOP, ROLL_SET
from control.safety import fault_kernel as s
from control.safety.surroundings import FAN_STARTS_S, FAULT_SLIP, PLAUSIBLE, Surroundings
from daq.readings import Quality, Reading, Unit
from tests.control.control_stand import Stand, tarnhow

DT_S = 0.002
CAPACITY = 1000.0
LIMITS = np.array([50.0, 1.5, 20_000.0, 400_000.0])


class Frame:
    """One absorber on each of two roll sets; everything calm until a test says otherwise."""

    def __init__(self) -> None:
        self.loop = np.zeros(1, LOOP)
        self.roll_sets, self.absorbers = np.zeros(2, ROLL_SET), np.zeros(2, ABSORBER)
        self.absorbers["group"] = (0, 1)
        self.state = np.zeros((s.STATE_ROWS, 2))
        self.places = np.zeros(s.CONDITIONS, dtype=np.int64)
        self.loop["dt_s"] = DT_S
        self.speeds(20.0, 20.0)
        self.n = 0

    def coil(self, i: int, value: float) -> None:
        self.absorbers["measured_a"][i] = value

    def cell(self, i: int, value: float) -> None:
        self.absorbers["cell_n"][i] = value

    def sent(self, i: int, value: float) -> None:
        self.absorbers["sent_a"][i] = value

    def speeds(self, *values: float) -> None:
        self.roll_sets["shown_mps"] = values

    def model(self, i: int, amperes: float) -> None:
        self.absorbers["model_a"][i] = amperes

    def mapped(self, i: int, newton: float) -> None:
        self.absorbers["unlearned_force_n"][i] = newton

    def look(self, load: bool = True) -> int:
        return int(
            s.screen(
                self.loop, self.roll_sets, self.absorbers, LIMITS,
                np.array([CAPACITY, CAPACITY]), self.state, self.places, load,
            )
        )  # fmt: skip

    def lively(self, frames: int, load: bool = True) -> int:
        """Frames whose speeds and cells tremble, as real ones do; bits of the last one."""
        bits = 0
        for _ in range(frames):
            self.n += 1
            self.roll_sets["shown_mps"] += 1e-6 * (-1) ** self.n
            self.absorbers["cell_n"] += 1e-6 * (-1) ** self.n
            bits = self.look(load)
        return bits

    def has(self, bit: int, load: bool = True) -> bool:
        return bool(self.look(load) >> bit & 1)


@pytest.mark.parametrize(
    ("speed", "over", "far"),
    [(50.0, 0, 0), (50.001, 1, 0), (52.5, 1, 0), (52.501, 1, 1), (math.nan, 0, 0)],
)
def test_over_speed_begins_beyond_the_limit_and_is_far_beyond_five_per_cent(
    speed: float, over: int, far: int
) -> None:
    frame = Frame()
    frame.speeds(49.0, speed)
    bits = frame.look(load=False)
    assert (bits >> s.OVER_SPEED & 1, bits >> s.OVER_SPEED_FAR & 1) == (over, far)
    if over:
        assert frame.places[s.OVER_SPEED] == 1


def test_force_and_power_are_sums_over_the_rig_with_five_per_cent_grace() -> None:
    frame = Frame()
    frame.speeds(10.0, 10.0)
    frame.cell(0, 10_500.0)
    frame.cell(1, 10_500.0)
    assert not frame.has(s.OVER_FORCE)
    frame.cell(1, 10_501.0)
    assert frame.has(s.OVER_FORCE)
    assert not frame.has(s.OVER_POWER)
    frame.speeds(20.0, 20.0)
    frame.cell(1, 10_500.0)
    assert not frame.has(s.OVER_POWER)
    frame.cell(1, 10_501.0)
    assert frame.has(s.OVER_POWER)
    frame.cell(1, math.nan)
    assert not frame.has(s.OVER_POWER)
    assert not frame.has(s.OVER_FORCE)


@pytest.mark.parametrize(
    ("slow", "fast", "load", "apart"),
    [
        (20.0, 24.9, True, 0), (20.0, 25.1, True, 1), (20.0, 25.1, False, 0),
        (2.0, 2.9, True, 0), (2.0, 3.1, True, 1), (1.4, 20.0, True, 0), (25.1, 20.0, True, 1),
        (20.0, 25.0, True, 0), (2.0, 3.0, True, 0), (1.5, 20.0, True, 0),
    ],
)  # fmt: skip
def test_roll_sets_are_apart_by_a_quarter_and_a_metre_per_second_under_load(
    slow: float, fast: float, load: bool, apart: int
) -> None:
    frame = Frame()
    frame.speeds(slow, fast)
    assert frame.look(load) >> s.SPEEDS_APART & 1 == apart


def test_a_speed_freezes_after_half_a_second_under_load_and_above_standstill() -> None:
    for load, speed, frozen in ((True, 20.0, 1), (False, 20.0, 0), (True, 1.5, 0), (True, 1.6, 1)):
        frame = Frame()
        frame.speeds(speed, speed)
        for k in range(260):
            bits = frame.look(load)
            if k < 248:
                assert not bits >> s.SPEED_FROZEN & 1
        assert bits >> s.SPEED_FROZEN & 1 == frozen, (load, speed)
    frame = Frame()
    assert not frame.lively(600) >> s.SPEED_FROZEN & 1
    frame.speeds(20.5, 20.5)
    frame.look()
    for _ in range(248):
        assert not frame.has(s.SPEED_FROZEN), "the time starts anew with each change"


@pytest.mark.parametrize(
    ("coil", "cell", "wrong"),
    [(2.1, -30.1, 1), (2.0, -30.1, 0), (2.1, -30.0, 0), (2.1, 30.1, 0), (2.1, math.nan, 0)],
)
def test_a_force_is_reversed_beyond_three_per_cent_with_current(
    coil: float, cell: float, wrong: int
) -> None:
    frame = Frame()
    frame.coil(1, coil)
    frame.cell(1, cell)
    assert frame.look() >> s.REVERSED & 1 == wrong
    if wrong:
        assert frame.places[s.REVERSED] == 1


@pytest.mark.parametrize(
    ("mapped", "cell", "weak"),
    [(601.0, 240.0, 1), (600.0, 10.0, 0), (1000.0, 400.0, 0), (1000.0, 399.0, 1)],
)
def test_an_absorber_is_weak_below_two_fifths_of_its_map(
    mapped: float, cell: float, weak: int
) -> None:
    frame = Frame()
    frame.mapped(1, mapped)
    frame.cell(1, cell)
    assert frame.look() >> s.WEAK & 1 == weak
    if weak:
        assert frame.places[s.WEAK] == 1


@pytest.mark.parametrize(
    ("cell", "coil", "speed", "drifted"),
    [
        (20.1, 0.4, 0.04, 1), (-20.1, 0.4, 0.04, 1), (20.0, 0.4, 0.04, 0),
        (20.1, 0.5, 0.04, 0), (20.1, 0.4, 0.05, 0),
    ],
)  # fmt: skip
def test_a_cell_has_drifted_when_it_shows_two_per_cent_at_rest_without_current(
    cell: float, coil: float, speed: float, drifted: int
) -> None:
    frame = Frame()
    frame.speeds(speed, speed)
    frame.coil(1, coil)
    frame.cell(1, cell)
    assert frame.look(load=False) >> s.DRIFTED & 1 == drifted
    if drifted:
        assert frame.places[s.DRIFTED] == 1


@pytest.mark.parametrize(
    ("coil", "model", "sent", "load", "off"),
    [
        (13.1, 10.0, 1.0, True, 1), (13.0, 10.0, 1.0, True, 0), (6.9, 10.0, 1.0, True, 1),
        (13.1, 10.0, 0.0, True, 1), (34.4, 30.0, 1.0, True, 0), (34.6, 30.0, 1.0, True, 1),
        (34.5, 30.0, 1.0, True, 0), (math.nan, 30.0, 1.0, True, 0),
        (13.1, 10.0, 1.0, False, 1),  # while load comes off
        (13.1, 10.0, 0.0, False, 0),  # nothing asked for: what flows is stuck, no worse follower
    ],
)  # fmt: skip
def test_a_supply_follows_within_three_ampere_and_fifteen_per_cent(
    coil: float, model: float, sent: float, load: bool, off: int
) -> None:
    frame = Frame()
    frame.coil(1, coil)
    frame.model(1, model)
    frame.sent(1, sent)
    assert frame.look(load) >> s.NOT_FOLLOWING & 1 == off
    if off:
        assert frame.places[s.NOT_FOLLOWING] == 1


def test_a_coil_is_stuck_on_half_a_second_after_nothing_was_asked() -> None:
    for coil, stuck in ((2.1, 1), (2.0, 0)):
        frame = Frame()
        frame.coil(1, coil)
        for k in range(256):
            bits = frame.lively(1)
            if k < 248:
                assert not bits >> s.STUCK_ON & 1
        assert bits >> s.STUCK_ON & 1 == stuck
    frame.coil(1, 2.1)
    frame.lively(240)
    frame.sent(1, 0.01)
    frame.lively(1)
    frame.sent(1, 0.0)
    assert not frame.lively(200) >> s.STUCK_ON & 1, "asking starts the time anew"
    assert frame.lively(60) >> s.STUCK_ON & 1
    assert frame.places[s.STUCK_ON] == 1


@pytest.mark.parametrize(
    ("aim", "target", "load", "beyond"),
    [
        (1, 50.0, True, 0), (1, 50.1, True, 1), (4, 50.1, True, 1), (4, 50.0, True, 0),
        (2, 20_000.0, True, 0), (2, 20_001.0, True, 1), (3, 400_000.0, True, 0),
        (3, 400_001.0, True, 1), (1, 50.1, False, 0), (0, 9e9, True, 0), (2, 60.0, True, 0),
        (3, 30_000.0, True, 0),
    ],
)  # fmt: skip
def test_a_running_set_point_may_not_be_beyond_the_rig(
    aim: int, target: float, load: bool, beyond: int
) -> None:
    frame = Frame()
    frame.loop["aim"], frame.loop["target"] = aim, target
    assert frame.look(load) >> s.BEYOND_RIG & 1 == beyond


@pytest.mark.parametrize(
    ("step", "noisy"), [(50.0, 0), (58.0, 0), (62.0, 1), (900.0, 1), (4000.0, 1)]
)
def test_a_cell_is_noisy_when_it_steps_further_than_an_arm_can(step: float, noisy: int) -> None:
    """At 500 frames/s: 4 % of capacity and 10 per second are 60 N of 1000 N."""
    frame = Frame()
    for k in range(400):
        frame.cell(1, step * (k % 2))
        bits = frame.look()
    assert bits >> s.NOISY & 1 == noisy
    if noisy:
        assert frame.places[s.NOISY] == 1


def test_one_jump_of_any_size_is_no_noise() -> None:
    frame = Frame()
    frame.lively(10)
    frame.cell(0, 1e6)
    assert not frame.has(s.NOISY)
    assert not frame.lively(50) >> s.NOISY & 1


def test_full_load_and_back_within_two_frames_is_noise() -> None:
    """No arm does that, and it need not go on for this to be seen."""
    frame = Frame()
    frame.lively(10)
    frame.cell(0, CAPACITY)
    assert not frame.has(s.NOISY)
    frame.cell(0, 0.0)
    assert frame.has(s.NOISY)


def test_what_an_arm_can_do_in_a_gap_between_frames_is_no_noise() -> None:
    """80 ms without a frame are time for eight tenths of the load."""
    frame = Frame()
    frame.lively(10)
    frame.loop["dt_s"] = 0.08
    frame.cell(0, 0.6 * CAPACITY)
    assert not frame.has(s.NOISY)
    frame.cell(0, -0.3 * CAPACITY)
    assert frame.has(s.NOISY)


@pytest.mark.parametrize("bit", [s.SPEED_FROZEN, s.STUCK_ON])
def test_half_a_second_itself_is_still_borne(bit: int) -> None:
    """At 512 frames a second half of one is 256 frame times, without rounding."""
    frame = Frame()
    frame.loop["dt_s"] = 1.0 / 512.0
    frame.cell(0, 100.0)
    frame.cell(1, 100.0)
    if bit == s.STUCK_ON:
        frame.coil(1, 2.1)
    else:
        frame.look()  # the first of the readings that stay
    told = [frame.has(bit) for _ in range(258)]
    assert told.index(True) == 256


# ---- surroundings --------------------------------------------------------------------------------


def slow(name: str, value: float, unit: Unit, quality: Quality = Quality.GOOD) -> Stand:
    stand = Stand()
    stand.slow[name] = Reading(value, unit, 1.0, quality)
    return stand


def around(stand: Stand) -> dict[str, str]:
    return Surroundings(tarnhow()).look(stand.measured(stand.sample()), False, False)


@pytest.mark.parametrize(
    ("name", "meaning", "unit"),
    [
        ("ambient-temperature", "ambient-temperature", Unit.KELVIN),
        ("barometer", "pressure", Unit.PASCAL),
        ("humidity", "humidity", Unit.RATIO),
    ],
)
def test_weather_is_believed_as_far_as_people_live(name: str, meaning: str, unit: Unit) -> None:
    low, high, _ = PLAUSIBLE[meaning]
    for value, said in ((low, 0), (high, 0), (low - 0.01, 1), (high + 0.01, 1)):
        found = around(slow(name, value, unit))
        assert ("weather-out-of-range" in found) == bool(said), value
    assert around(slow(name, 0.0, unit, Quality.MISSING)) == {"sensor-silent": name}


def test_the_bounds_of_weather_are_those_written_down() -> None:
    assert PLAUSIBLE["pressure"][:2] == (60_000.0, 110_000.0)
    assert PLAUSIBLE["ambient-temperature"][:2] == (233.15, 333.15)
    assert PLAUSIBLE["intake-temperature"][:2] == (233.15, 353.15)
    assert PLAUSIBLE["humidity"][:2] == (0.0, 1.0)
    assert FAULT_SLIP == 0.10
    assert FAN_STARTS_S == 2.0


@pytest.mark.parametrize(
    ("slip", "force", "gear", "said"),
    [
        (0.11, 1500.0, True, "11 %"),
        (0.10, 1500.0, True, None),
        (0.11, 1500.0, False, None),
        (0.5, 0.0, True, None),
        (0.11, 1000.0, True, None),
        (0.11, 1002.0, True, "11 %"),
    ],
)
def test_tyres_slip_in_the_learned_gear_when_they_are_pulled(
    slip: float, force: float, gear: bool, said: str | None
) -> None:
    stand = Stand()
    stand.slip = slip
    seen = stand.measured(stand.sample())
    pulled = Reading(force / 2.0, Unit.NEWTON, seen.time_s, Quality.GOOD)
    replaced = msgspec.structs.replace
    seen = replaced(
        seen,
        roll_sets=tuple(replaced(each, absorber_force=pulled) for each in seen.roll_sets),
    )
    around = Surroundings(tarnhow())
    locked = replaced(seen, slip=replaced(seen.slip, value=-0.10))  # just no slip yet
    assert "tyre-slip" not in around.look(seen, False, gear), "the converter is open on the way up"
    assert "tyre-slip" not in around.look(locked, False, gear)
    assert around.look(seen, False, gear).get("tyre-slip") == said
    around.look(seen, False, False)  # the test is over
    assert "tyre-slip" not in around.look(seen, False, gear)


def test_a_fan_may_take_two_seconds_and_no_longer() -> None:
    stand = Stand()
    stand.digital = {"fan-front-turns": True, "fan-rear-turns": False}
    look = Surroundings(tarnhow()).look
    start_s = stand.time_s

    def at(seconds: float, fans: bool = True) -> dict[str, str]:
        stand.time_s = start_s + seconds
        return look(stand.measured(stand.sample()), fans, False)

    assert at(0.0) == {}
    assert at(1.99) == {}
    assert at(2.0) == {"fan-missing": "fan-rear"}
    assert at(2.2, fans=False) == {}
    assert at(2.4) == {}, "asked for again: two seconds more"
    assert at(4.41) == {"fan-missing": "fan-rear"}
    stand.digital = {}
    assert at(5.0) == {}, "a front end without the switch is told at the greeting"


def test_a_switch_of_a_fan_that_nobody_asks_for_tells_nothing() -> None:
    """Such a fan runs with something else, and may stand as long as that does."""
    rig = tarnhow()
    unnamed = tuple(msgspec.structs.replace(each, fan="") for each in rig.absorbers)
    look = Surroundings(msgspec.structs.replace(rig, absorbers=unnamed)).look
    stand = Stand()
    stand.digital = {"fan-front-turns": False, "fan-rear-turns": False}
    for _ in range(2):
        assert look(stand.measured(stand.sample()), True, False) == {}
        stand.time_s += FAN_STARTS_S
