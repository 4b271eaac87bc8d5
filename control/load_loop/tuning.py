"""The load loop's tuning from a rig's numbers, its noise gains, and how far it is from instability.

Data flow: inertia, lags, delays and supply -> `derive` -> Tuning of the calm and of the alert loop
-> `margins` of the linearised loop -> TuneUp, for people. `tune_up` chooses the fast observer's
speed: the fastest that keeps the margins on every rig within the stated spread of the numbers. It
takes some tens of milliseconds and is done between tests, never in a frame.

The loop is opened at the force asked. Forward: transport, supply, coil and field as led by the
force loop; what no model explains is one more lag, `unmodelled_lag_s`. Plant: 1 / (M s^2) from
force to place, without the truck's own modes: a loop faster than they allow swings in truth before
it does here. Back: the fading-memory observer of control.load_loop.disturbance_observer (three
poles at w, the fourth at alertness x w, which is the rate's; it fades) on a place that is `age_s`
old, with the mapped force as known input, then `disturbance_feedforward` and `speed_feedback`.
docs/control.md writes it out with the demo rig's numbers.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from control.load_loop import constants as c

Complex = npt.NDArray[np.complexfloating[Any, Any]]
Floats = npt.NDArray[np.float64]

UNMODELLED_SHARE = 0.04  # of the coil's lag: what neither its model nor the field's explains
FIELD_UNMODELLED_SHARE = 0.3  # of the field's lag
FOLLOW_FRAMES, FOLLOW_SHARE = 5.0, 0.06  # a led coil follows in so many frames, or share of its lag
FOLLOW_DEAD_TIMES = 3.0  # ... or so many dead times of its supply
RIPPLE_WAVES = 3.0  # a measured current corrects its model over so many waves of the supply
CALM_OVER_ALERT = 3.0  # calm, the force loop takes so many times as long; trial tradeoff
OBSERVER_SHARE = 0.6  # fast pole times what it cannot see, before a tune-up
LEAST_SHARE, MOST_SHARE = 0.3, 2.0
# Least margins: gain, phase (degrees), modulus (least distance of the locus from -1; 1 / it is the
# peak of the sensitivity). The calm loop, which runs nearly always, keeps the trade's usual ones.
# The alert loop runs for some tenths of a second after a change and keeps less, because an observer
# that meets a pedal early spends its margin on exactly that.
CALM_LEAST = (2.0, 45.0, 0.5)
ALERT_LEAST = (1.4, 35.0, 0.28)
FREQUENCIES: Floats = np.geomspace(0.2, 1500.0, 1200)


class PlantParameters(msgspec.Struct, frozen=True):
    """What a rig is, as far as its speed loop is concerned. SI."""

    inertia_kg: float
    coil_lag_s: float  # from set point to coil current: the coil's, or of a supply that regulates
    field_lag_s: float
    age_s: float  # of the newest tooth edge
    flight_frames: int  # set points on their way
    frame_s: float
    truck_kg: float = 0.0  # what the truck adds at the roll surface
    supply_dead_s: float = 0.0  # from a set point to the moment the supply acts on it

    @property
    def mass_kg(self) -> float:
        """What a force moves: rolls and truck."""
        return self.inertia_kg + self.truck_kg


class Tuning(msgspec.Struct, frozen=True):
    """Settings of the loop that follow from the numbers, at one state of alertness."""

    observer_per_s: float
    rate_part: float  # fourth pole of the observer, of the drive force's rate, over the others
    feedback_per_s: float
    lookahead_s: float
    follow_s: float
    field_lead: float  # 1: the coil leads so that the field follows twice as fast; 0: not
    unmodelled_lag_s: float


class Margins(msgspec.Struct, frozen=True):
    """Of the linearised loop. `gain`: as a factor; inf when the phase never gets there. A loop that
    is not stable has a gain below 1 (what would calm it), a negative phase and no delay margin."""

    gain: float
    phase_deg: float
    delay_s: float  # that the loop could bear beyond what it has
    modulus_margin: float  # least, of the locus from -1
    crossover_per_s: float

    @property
    def stable(self) -> bool:
        return self.gain > 1.0 and self.phase_deg > 0.0

    def keeps(self, least: tuple[float, float, float]) -> bool:
        """Whether gain, phase and modulus margin are no less than these."""
        gain, phase_deg, modulus = least
        return self.gain >= gain and self.phase_deg >= phase_deg and self.modulus_margin >= modulus


class TuneUp(msgspec.Struct, frozen=True):
    """What a tune-up chose; margins on the rig as identified and on the worst of the spread."""

    observer_share: float
    tuning: Tuning
    margins: Margins
    worst: Margins
    spread: float


def follow_time(coil_lag_s: float, frame_s: float, supply_dead_s: float = 0.0) -> float:
    """How fast a coil that is asked for more than needed can be made to follow, s.

    No slower than it goes by itself: a supply that regulates its current is asked for what is
    wanted.
    """
    led = max(FOLLOW_FRAMES * frame_s, FOLLOW_SHARE * coil_lag_s, FOLLOW_DEAD_TIMES * supply_dead_s)
    return min(led, max(coil_lag_s, frame_s))


def measured_part(wave_s: float, frame_s: float) -> float:
    """How much a reading counts in what a coil is taken to carry, beside its model.

    All, but where the supply acts once in `wave_s` and the current ripples with it.
    """
    return 1.0 - math.exp(-frame_s / (RIPPLE_WAVES * wave_s)) if wave_s > 0.0 else 1.0


def unmodelled_time(coil_lag_s: float, field_lag_s: float) -> float:
    """Lag that no model explains (hysteresis, arm, errors of the lags), s."""
    return UNMODELLED_SHARE * coil_lag_s + FIELD_UNMODELLED_SHARE * field_lag_s


def observer_bandwidth(
    frame_s: float, speed_age_s: float, unmodelled_lag_s: float, share: float
) -> float:
    """Poles of the fast observer, rad/s: `share` over what it cannot see.

    It sees edges that are `speed_age_s` old and takes the mapped force for the true one, which
    lags by `unmodelled_lag_s` (hysteresis, arm, errors of the stated lags). A faster one is bounded
    by the timing noise of the edges: it says later, not sooner, that something has changed. A rig
    whose numbers are identified may bear more or less, which `tune_up` finds from the margins.
    """
    return min(share / (speed_age_s + 0.5 * frame_s + unmodelled_lag_s), c.HOLD_FAST_MOST_PER_S)


def feedback_gain(unknown_s: float) -> float:
    """k, 1/s, for v' = -k v behind the delays that the look-ahead does not know.

    SIMC for an integrating process with effective delay T and closed-loop time T is k = 1 / (2 T),
    the tight choice (Skogestad, J. Process Control 13, 2003); 1 / (3 T) leaves more margin.
    What acts on the speed ahead is foreseen; only what is not counts in T.
    """
    return simc_gain(1.0, unknown_s, 2.0 * unknown_s)


def simc_gain(slope: float, delay_s: float, closed_loop_s: float) -> float:
    """SIMC proportional gain of an integrating process `slope` / s with dead time (Skogestad 2003).

    A first-order process of gain K and lag tau counts as one with slope K / tau.
    """
    return 1.0 / (slope * (closed_loop_s + delay_s))


def derive(
    plant: PlantParameters, observer_share: float = OBSERVER_SHARE, alertness: float = 1.0
) -> Tuning:
    """Tuning after SIMC for an integrating process (Skogestad, J. Process Control 13, 2003), with
    the fast observer as fast as `observer_share` over the delay that it cannot see.

    `alertness` 0: the calm loop, which a steady state meets; 1: the alert one, after a change.
    """
    p = plant
    unmodelled = unmodelled_time(p.coil_lag_s, p.field_lag_s)
    out = (p.flight_frames + 0.5) * p.frame_s + p.supply_dead_s
    alert_s = follow_time(p.coil_lag_s, p.frame_s, p.supply_dead_s)
    calm_s = CALM_OVER_ALERT * alert_s
    follow = calm_s + alertness * (alert_s - calm_s)
    fast = observer_bandwidth(p.frame_s, p.age_s, unmodelled, observer_share)
    slow = min(c.HOLD_SLOW_PER_S, 0.5 * fast)
    return Tuning(
        slow + alertness * (fast - slow),
        alertness,
        feedback_gain(p.age_s + p.frame_s + out + unmodelled),
        follow + out + (1.0 - 0.5 * alertness) * p.field_lag_s,
        follow,
        alertness,
        unmodelled,
    )


def set_point_noise(tuning: Tuning, plant: PlantParameters) -> tuple[float, float]:
    """Noise gains of the force loop: set point per ampere of wanted, and of measured, current.

    Asked is i + lag / T (wanted - i), with wanted = (1 + a) w - a field: the lead that makes a coil
    quick is what passes noise on. The measured current counts with 1 - lag / T.
    """
    lead = plant.coil_lag_s / tuning.follow_s
    return lead * (1.0 + tuning.field_lead), abs(1.0 - lead)


def observer_gains(pole_per_s: float, rate_part: float) -> tuple[float, float, float, float]:
    """Of place, speed, drive force over inertia and its rate: (s + w)^3 (s + rate_part w)."""
    w, a = pole_per_s, rate_part
    return (3.0 + a) * w, 3.0 * (1.0 + a) * w * w, (1.0 + 3.0 * a) * w**3, a * w**4


def _asked(
    tuning: Tuning,
    assumed: PlantParameters,
    place: Complex,
    own: Complex,
    on_its_way: Complex,
    s: Complex,
    between_sets: bool,
) -> Complex:
    """Force asked for a place seen, the place that the known input explains, and force sent."""
    mass, ahead = assumed.inertia_kg, tuning.lookahead_s
    g1, g2, g3, g4 = observer_gains(tuning.observer_per_s, tuning.rate_part)
    miss = place - own * np.exp(-assumed.age_s * s)
    # x' = A x + G e with e = miss less what the corrections alone put there: the observer compares
    # with its place less age x speed plus half age^2 x acceleration, all as they are now.
    fades = s + 1.0 / c.DRIVE_RATE_FADE_S
    own_drive = (g3 + g4 / fades) / s
    own_speed = g2 / s + own_drive / s
    shape = (g1 + own_speed) / s - assumed.age_s * own_speed + 0.5 * assumed.age_s**2 * own_drive
    e = miss / (1.0 + shape)
    rate = mass * g4 * e / fades
    drive = (mass * g3 * e + rate) / s
    speed = own * s + (g2 * e + drive / mass) / s
    asked: Complex = mass * tuning.feedback_per_s * (speed + (drive - on_its_way) / mass * ahead)
    return c.SYNC_GAIN * asked if between_sets else asked + drive + rate * ahead


def _opened(
    tuning: Tuning,
    assumed: PlantParameters,
    true: PlantParameters,
    s: Complex,
    unexplained_s: float | None,
    between_sets: bool,
) -> tuple[Complex, Complex]:
    """L(s), and from force asked to force on the rolls; see `open_loop`."""
    # Forward: what the map believes the force to be, and what it is.
    out_s = (true.flight_frames + 0.5) * true.frame_s + true.supply_dead_s
    # Asked for i + lag / T (wanted - i), a coil of another lag follows with T x true / assumed.
    follow = tuning.follow_s * true.coil_lag_s / assumed.coil_lag_s
    # Field f behind coil, coil behind (1 + a) w - a f.
    lead = tuning.field_lead
    behind = (1.0 + follow * s) * (1.0 + assumed.field_lag_s * s) + lead
    on_its_way: Complex = np.asarray((1.0 + lead) / behind, dtype=np.complex128)
    believed = on_its_way * np.exp(-out_s * s)
    off = (1.0 + assumed.field_lag_s * s) / (1.0 + true.field_lag_s * s)
    if unexplained_s is None:
        unexplained_s = unmodelled_time(true.coil_lag_s, true.field_lag_s)
    force = believed * off / (1.0 + unexplained_s * s)
    place = -force / (true.mass_kg * s * s) * np.exp(-true.age_s * s)
    # The observer compares with its own place of the moment the edge passed; sampled and held.
    seen = place * np.exp(-0.5 * true.frame_s * s)
    own = -believed / (assumed.inertia_kg * s * s)  # place that the known input alone explains
    locus: Complex = -_asked(tuning, assumed, seen, own, on_its_way, s, between_sets)
    return locus, force


def open_loop(
    tuning: Tuning,
    assumed: PlantParameters,
    true: PlantParameters,
    s: Complex,
    unexplained_s: float | None = None,
    between_sets: bool = False,
) -> Complex:
    """L(s) of the loop tuned for `assumed` on a rig that is `true`; stability is 1 + L.

    `unexplained_s`: lag that is really there and that no model knows. Left out, all that the tuning
    allows for is taken to be there, which is cautious: margins for people and the tune-up are so.
    `between_sets`: of the cross-coupling, which brings the speed of one roll set to the mean.
    """
    return _opened(tuning, assumed, true, s, unexplained_s, between_sets)[0]


def answer_to_place(
    tuning: Tuning, assumed: PlantParameters, true: PlantParameters, s: Complex
) -> Complex:
    """T(s): true place per error of the place that is seen, as run-out or timing noise make it.

    Without a model error to allow for: what a rig does that is as it is believed to be.
    """
    locus, force = _opened(tuning, assumed, true, s, 0.0, False)
    nothing: Complex = 0.0 * s
    asked = _asked(tuning, assumed, np.exp(-0.5 * true.frame_s * s), nothing, nothing, s, False)
    answer: Complex = -asked * force / (true.mass_kg * s * s) / (1.0 + locus)
    return answer


def margins(locus: Complex, frequencies: Floats = FREQUENCIES) -> Margins:
    """Margins of an open loop given at `frequencies`, rad/s; the closed loop is 1 / (1 + L).

    Whether it is stable is counted after Nyquist (no open-loop pole right of the axis), because
    at -180 degrees a loop may be larger than 1 and stable all the same.
    """
    size, phase = np.abs(locus), np.unwrap(np.angle(locus))
    # Poles at the origin, by the slope at the lowest frequencies; each owes a quarter turn.
    slope = math.log(size[0] / size[10]) / math.log(frequencies[10] / frequencies[0])
    about = np.unwrap(np.angle(1.0 + locus))
    stable = abs(about[-1] - about[0] - 0.5 * math.pi * round(slope)) < 0.5 * math.pi
    gain, crossing = math.inf if stable else 0.0, math.nan
    nearest, delay = math.inf, math.inf
    # Imaginary part changes sign left of the origin: -180 degrees, whatever the turns.
    for k in np.nonzero((locus.imag[:-1] * locus.imag[1:] <= 0.0) & (locus.real[1:] < 0.0))[0]:
        part = locus.imag[k] / (locus.imag[k] - locus.imag[k + 1])
        real = locus.real[k] + part * (locus.real[k + 1] - locus.real[k])
        if real < 0.0:
            factor = float(-1.0 / real)
            if stable and factor > 1.0:
                gain = min(gain, factor)
            elif not stable and factor < 1.0:
                gain = max(gain, factor)
    for k in np.nonzero((size[:-1] - 1.0) * (size[1:] - 1.0) <= 0.0)[0]:
        part = (size[k] - 1.0) / (size[k] - size[k + 1])
        w = frequencies[k] * (frequencies[k + 1] / frequencies[k]) ** part
        left = phase[k] + part * (phase[k + 1] - phase[k]) + math.pi
        if abs(math.remainder(left, 2.0 * math.pi)) < nearest:
            nearest, crossing = abs(math.remainder(left, 2.0 * math.pi)), float(w)
        delay = min(delay, float((left % (2.0 * math.pi)) / w))
    return Margins(
        gain,
        math.degrees(nearest if stable else -nearest),
        delay if stable else 0.0,
        float(np.min(np.abs(1.0 + locus))),
        crossing,
    )


def spread_of(numbers: PlantParameters, spread: float) -> list[PlantParameters]:
    """Corners of inertia and lags within +-`spread`, and the rig as it is."""
    found = [numbers]
    for inertia in (1.0 - spread, 1.0 + spread):
        for lag in (1.0 - spread, 1.0 + spread):
            found.append(
                msgspec.structs.replace(
                    numbers,
                    inertia_kg=numbers.inertia_kg * inertia,
                    coil_lag_s=numbers.coil_lag_s * lag,
                    field_lag_s=numbers.field_lag_s * lag,
                )
            )
    return found


def tune_up_steps(numbers: PlantParameters, spread: float) -> Generator[None, None, TuneUp]:
    """The fastest observer that keeps the margins on every rig within `spread` of the numbers.

    In pieces of under a millisecond, for whoever has a frame to keep.
    """
    s: Complex = 1j * FREQUENCIES
    rigs = spread_of(numbers, spread)
    chosen: TuneUp | None = None
    low, high = LEAST_SHARE, MOST_SHARE
    share = low
    for _ in range(8):
        tuning = derive(numbers, share)
        each: list[Margins] = []
        for true in rigs:
            each.append(margins(open_loop(tuning, numbers, true, s)))
            yield
        worst = min(each, key=lambda one: one.modulus_margin)
        good = all(one.keeps(ALERT_LEAST) for one in each)
        if good or chosen is None:
            chosen = TuneUp(share, tuning, each[0], worst, spread)
            low = share
        if not good:
            high = share
        share = 0.5 * (low + high)
    if chosen is None:
        raise RuntimeError("a tune-up tries at least one tuning")
    return chosen


class TruckInertia:
    """Learns what a truck adds at the roll surface from how its pull answers acceleration.

    tractive = pull(v) - truck_kg x dv/dt: least squares on (1, v, dv/dt), with readings of the
    same instant. Force steps of the absorbers at a still pedal, or coasting in neutral, give the
    contrast.
    """

    def __init__(self) -> None:
        self._normal = np.zeros((3, 3))
        self._right = np.zeros(3)
        self._square = 0.0
        self.n = 0

    def add(self, tractive_n: float, speed_mps: float, acceleration: float) -> None:
        """One frame, whole rig; what is not a number is left out."""
        if not math.isfinite(tractive_n + speed_mps + acceleration):
            return
        x = np.array((1.0, speed_mps, acceleration))
        self._normal += np.outer(x, x)
        self._right += tractive_n * x
        self._square += tractive_n * tractive_n
        self.n += 1

    def result(self) -> tuple[float, float] | None:
        """Mass in kg and its standard deviation (neighbouring frames err alike); None: unknown."""
        if self.n < 500:
            return None
        try:
            inverse = np.linalg.inv(self._normal)
        except np.linalg.LinAlgError:
            return None
        theta = inverse @ self._right
        left = max(self._square - float(theta @ self._right), 0.0) / self.n
        sigma = math.sqrt(left * float(inverse[2, 2]) * 25.0)
        return -float(theta[2]), sigma
