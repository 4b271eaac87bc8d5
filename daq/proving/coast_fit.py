"""Base inertia and parasitic loss of a roll set from recorded coasts, by integrating the motion.

Data flow: per coast the absorber force at the roll surface on an even time grid, and the travel at
known times (whole turns of the tooth wheel, where pitch error and run-out cancel) -> M, a, b, c of
    M dv/dt = -(a + b v + c v^2) - F(t)
by nonlinear least squares on x(t) or v(t). Nothing is differentiated, so noise is not amplified.

Free coasts give only loss / M. To find M, coast under two or more absorber loads as well
(40 CFR 1066.250 asks for three rates); an absorber cannot drive, so its accelerations fall out.
Purpose of the loss curve: 40 CFR 1066.255.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.kernel import jit
from daq.texts.message import Text, say

Array = npt.NDArray[np.float64]
_M, _A, _B, _C, _V0 = range(5)
FREE_SHARE = 0.3  # of the mean force of the most loaded coast: less is a free one
LIKE_SPEED = 0.15  # free coasts whose mean speeds differ by less are one repeated


class Observable(enum.Enum):
    TRAVEL = "travel"  # metres since any start; white timing noise, so the sigmas are honest
    SPEED = "speed"  # m/s; noise of a smoother is correlated and makes sigmas too small


class Coast(msgspec.Struct, frozen=True, eq=False):
    """One coast of one roll set. Times count from the first force sample, all device time."""

    step_s: float  # of the force grid
    force_n: Array  # absorber force at the roll surface, braking positive, aligned; shape (n,)
    time_s: Array  # of the observations, within the grid; shape (m,)
    observed: Array  # travel in m or speed in m/s; shape (m,)
    observable: Observable = Observable.TRAVEL

    @property
    def mean_mps(self) -> float:
        """Mean speed over the observations."""
        if self.observable is Observable.SPEED:
            return float(np.mean(self.observed))
        return float((self.observed[-1] - self.observed[0]) / (self.time_s[-1] - self.time_s[0]))


class CoastFit(msgspec.Struct, frozen=True, eq=False):
    """Inertia and loss with their covariance (order M, a, b, c)."""

    inertia_kg: float
    loss_n: tuple[float, float, float]
    covariance: Array  # (4, 4)
    residual_rms: float  # of the observable, in its unit
    observations: int
    iterations: int
    inertia_given: bool
    flags: tuple[str, ...]
    offsets_n: tuple[float, ...] = ()  # constant loss of each coast above that of all together

    def loss(self, speed_mps: float) -> float:
        """Loss force in N at a speed."""
        a, b, c = self.loss_n
        return a + speed_mps * (b + speed_mps * c)

    def loss_sigma(self, speed_mps: float) -> float:
        """Standard uncertainty in N of the loss at a speed, from the fit's covariance."""
        gradient = np.array([0.0, 1.0, speed_mps, speed_mps**2])
        return math.sqrt(max(0.0, float(gradient @ self.covariance @ gradient)))

    @property
    def inertia_sigma_kg(self) -> float:
        return math.sqrt(max(0.0, float(self.covariance[0, 0])))


@jit
def _integrate(parameters: Array, step: float, force: Array, out: Array) -> None:
    """Runge-Kutta 4 over the force grid; row k of `out` is the state at force sample k:
    v, x, then the derivatives of v and of x by (M, a, b, c, v0)."""
    mass, a, b, c = parameters[0], parameters[1], parameters[2], parameters[3]
    state = np.zeros(12)
    state[0] = parameters[4]
    state[6] = 1.0
    slopes = np.zeros((4, 12))
    trial = np.zeros(12)
    n = force.shape[0]
    for k in range(n):
        for i in range(12):
            out[k, i] = state[i]
        if k == n - 1:
            break
        for stage in range(4):
            if stage == 0:
                load = force[k]
                for i in range(12):
                    trial[i] = state[i]
            else:
                h = step if stage == 3 else 0.5 * step
                load = force[k + 1] if stage == 3 else 0.5 * (force[k] + force[k + 1])
                for i in range(12):
                    trial[i] = state[i] + h * slopes[stage - 1, i]
            v = trial[0]
            f = -(a + v * (b + v * c) + load) / mass
            damping = -(b + 2.0 * c * v) / mass
            slopes[stage, 0] = f
            slopes[stage, 1] = v
            slopes[stage, 2] = damping * trial[2] - f / mass
            slopes[stage, 3] = damping * trial[3] - 1.0 / mass
            slopes[stage, 4] = damping * trial[4] - v / mass
            slopes[stage, 5] = damping * trial[5] - v * v / mass
            slopes[stage, 6] = damping * trial[6]
            for j in range(5):
                slopes[stage, 7 + j] = trial[2 + j]
        for i in range(12):
            state[i] += (
                step / 6.0 * (slopes[0, i] + 2.0 * slopes[1, i] + 2.0 * slopes[2, i] + slopes[3, i])
            )


class _Grid:
    """Work arrays of one coast, and its model at the observation times."""

    def __init__(self, coast: Coast) -> None:
        n = len(coast.force_n)
        self.coast = coast
        self.force = np.ascontiguousarray(coast.force_n, dtype=np.float64)
        self.out = np.empty((n, 12))
        self.v, self.x = self.out[:, 0], self.out[:, 1]
        self.sv, self.sx = self.out[:, 2:7], self.out[:, 7:12]
        place = coast.time_s / coast.step_s
        self.index = np.clip(place.astype(np.int64), 0, n - 2)
        self.part = place - self.index

    def model(self, parameters: Array) -> tuple[Array, Array]:
        """(prediction, derivatives) at the observation times; shapes (m,), (m, 5).

        Not finite where parameters far from the truth let the motion diverge.
        """
        with np.errstate(over="ignore", invalid="ignore"):
            return self._model(parameters)

    def _model(self, parameters: Array) -> tuple[Array, Array]:
        _integrate(parameters, self.coast.step_s, self.force, self.out)
        i, s, h = self.index, self.part, self.coast.step_s
        if self.coast.observable is Observable.SPEED:
            return (
                self.v[i] + s * (self.v[i + 1] - self.v[i]),
                self.sv[i] + s[:, None] * (self.sv[i + 1] - self.sv[i]),
            )
        # cubic Hermite: position is known with its slope at both ends of the step
        h00, h10 = 2 * s**3 - 3 * s**2 + 1, s**3 - 2 * s**2 + s
        h01, h11 = -2 * s**3 + 3 * s**2, s**3 - s**2

        def hermite(y0: Array, d0: Array, y1: Array, d1: Array) -> Array:
            if y0.ndim == 2:
                w = [weight[:, None] for weight in (h00, h10, h01, h11)]
            else:
                w = [h00, h10, h01, h11]
            return w[0] * y0 + w[1] * h * d0 + w[2] * y1 + w[3] * h * d1

        return (
            hermite(self.x[i], self.v[i], self.x[i + 1], self.v[i + 1]),
            hermite(self.sx[i], self.sv[i], self.sx[i + 1], self.sv[i + 1]),
        )

    def first_speed(self) -> float:
        """A start value of v0 from the first tenth of the coast."""
        m = max(3, len(self.coast.observed) // 10)
        t, y = self.coast.time_s[:m], self.coast.observed[:m]
        if self.coast.observable is Observable.SPEED:
            line = np.polyfit(t, y, 1)
            return float(line[1])
        curve = np.polyfit(t, y, 2 if m > 3 else 1)
        return float(curve[-2])


def _check(coasts: Sequence[Coast]) -> None:
    def refuse(problem: Text, remedy: Text) -> None:
        raise Refused(problem, remedy, "coast")

    if not coasts:
        refuse(say("there-is-no-coast-to-evaluate"), say("record-at-least-one"))
    for number, coast in enumerate(coasts, start=1):
        arrays = (coast.force_n, coast.time_s, coast.observed)
        if len(coast.time_s) != len(coast.observed) or len(coast.time_s) < 8:
            refuse(
                say("coast-has-too-few-observations", number=number),
                say("coast-longer-or-from-faster"),
            )
        if not all(bool(np.all(np.isfinite(values))) for values in arrays):
            refuse(say("coast-has-gaps-in-speed-or", number=number), say("leave-gap-out"))
        end = coast.step_s * (len(coast.force_n) - 1)
        if coast.time_s[0] < 0 or coast.time_s[-1] > end * (1 + 1e-12):
            refuse(say("coast-has-observations-outside-its-force", number=number), say("trim-it"))


def _cannot_tell() -> Refused:
    return Refused(
        say("these-coasts-cannot-tell-inertia-from"),
        say("add-coasts-from-same-speed-under"),
        "coast",
    )


def fit_coasts(
    coasts: Sequence[Coast],
    guess_inertia_kg: float,
    *,
    inertia_kg: float | None = None,
    inertia_sigma_kg: float = 0.0,
    force_relative_sigma: float = 0.0,
    force_zero_sigma_n: float = 0.0,
) -> CoastFit:
    """Fit inertia and loss to coasts of one roll set.

    `inertia_kg` given: it is kept and only the loss is fitted. `force_relative_sigma` is the
    calibration uncertainty of the absorber force, which an identified inertia and loss inherit in
    full; `force_zero_sigma_n` is that of its zero, which goes into the constant loss. Raises
    Refused (code "coast") when the coasts cannot tell what is asked.
    """
    _check(coasts)
    loads = [float(np.mean(coast.force_n)) for coast in coasts]
    if inertia_kg is None and max(loads) - min(loads) < 50.0:
        raise _cannot_tell()
    grids = [_Grid(coast) for coast in coasts]
    free = [_A, _B, _C] if inertia_kg is not None else [_M, _A, _B, _C]
    shared = np.array([inertia_kg or guess_inertia_kg, 0.0, 0.0, 0.0])
    speeds = np.array([grid.first_speed() for grid in grids])
    shared[_A] = _first_loss(grids, speeds, float(shared[_M]))
    offsets = np.array(
        [
            coast.observed[0] - speed * coast.time_s[0]
            if coast.observable is Observable.TRAVEL
            else 0.0
            for coast, speed in zip(coasts, speeds, strict=True)
        ]
    )
    shared, speeds, offsets, jacobian, residual, iterations = _solve(
        grids, free, shared, speeds, offsets
    )
    covariance = _covariance(grids, free, jacobian, residual, float(shared[_M]))
    covariance[_A, _A] += force_zero_sigma_n**2
    if inertia_kg is not None:
        # loss / M is what the motion tells: a given M scales every loss coefficient
        scale = np.array([1.0, *(shared[1:] / shared[_M])])
        covariance += np.outer(scale, scale) * inertia_sigma_kg**2
    else:
        scale = shared.copy()
        covariance += np.outer(scale, scale) * force_relative_sigma**2
    flags = _flags(coasts, speeds, shared, covariance, inertia_kg is None)
    return CoastFit(
        float(shared[_M]),
        (float(shared[_A]), float(shared[_B]), float(shared[_C])),
        covariance,
        float(np.sqrt(np.mean(residual**2))),
        len(residual),
        iterations,
        inertia_kg is not None,
        flags,
        _offsets(grids, free, jacobian, residual),
    )


def warming(coasts: Sequence[Coast], fit: CoastFit) -> tuple[int, int, float] | None:
    """Change of loss in N between two free coasts at like speed, first to last in the order given.

    Gives (first, last, change); None when no free coast was repeated. The coasts of one fit stand
    in the order in which they ran.
    """
    loads = [float(np.mean(coast.force_n)) for coast in coasts]
    free = [number for number, load in enumerate(loads) if load < FREE_SHARE * max(loads)]
    best: tuple[int, int, float] | None = None
    for first in free:
        for last in free:
            fast, slow = coasts[first].mean_mps, coasts[last].mean_mps
            if last - first > (best[1] - best[0] if best else 0) and (
                abs(fast - slow) < LIKE_SPEED * fast
            ):
                best = first, last, fit.offsets_n[last] - fit.offsets_n[first]
    return best


def _offsets(
    grids: list[_Grid], free: list[int], jacobian: Array, residual: Array
) -> tuple[float, ...]:
    """By coast: constant loss in N above that of the common fit, with a start of its own."""
    found, start = [], 0
    for number, grid in enumerate(grids):
        rows = slice(start, start + len(grid.coast.observed))
        start = rows.stop
        columns = [free.index(_A), len(free) + 2 * number, len(free) + 2 * number + 1]
        block = jacobian[rows][:, columns]
        scale = np.linalg.norm(block, axis=0)
        scale[scale == 0] = 1.0
        found.append(
            float((np.linalg.lstsq(block / scale, residual[rows], rcond=None)[0] / scale)[0])
        )
    return tuple(found)


def _first_loss(grids: list[_Grid], speeds: Array, mass: float) -> float:
    """A constant loss that roughly explains the slowing down, N."""
    estimates = []
    for grid, v0 in zip(grids, speeds, strict=True):
        coast = grid.coast
        span = float(coast.time_s[-1] - coast.time_s[0])
        if coast.observable is Observable.SPEED:
            slowing = (v0 - float(coast.observed[-1])) / span
        else:
            travel = float(coast.observed[-1] - coast.observed[0])
            slowing = 2 * (v0 * span - travel) / span**2
        estimates.append(mass * slowing - float(np.mean(coast.force_n)))
    return max(1.0, float(np.mean(estimates)))


def _assemble(
    grids: list[_Grid], free: list[int], shared: Array, speeds: Array, offsets: Array
) -> tuple[Array, Array]:
    """(jacobian, residual) over all coasts; columns: free shared ones, then v0 and x0 of each."""
    blocks, residuals = [], []
    width = len(free) + 2 * len(grids)
    for number, grid in enumerate(grids):
        travel = grid.coast.observable is Observable.TRAVEL
        prediction, slopes = grid.model(np.array([*shared, speeds[number]]))
        block = np.zeros((len(prediction), width))
        block[:, : len(free)] = slopes[:, free]
        block[:, len(free) + 2 * number] = slopes[:, _V0]
        if travel:
            block[:, len(free) + 2 * number + 1] = 1.0
            prediction = prediction + offsets[number]
        blocks.append(block)
        residuals.append(grid.coast.observed - prediction)
    return np.concatenate(blocks), np.concatenate(residuals)


def _solve(
    grids: list[_Grid], free: list[int], shared: Array, speeds: Array, offsets: Array
) -> tuple[Array, Array, Array, Array, Array, int]:
    """Damped Gauss-Newton until the steps no longer matter."""
    damping = 1e-3
    jacobian, residual = _assemble(grids, free, shared, speeds, offsets)
    cost = float(residual @ residual)
    for iteration in range(1, 101):
        began = damping
        scale = np.linalg.norm(jacobian, axis=0)
        scale[scale == 0] = 1.0
        scaled = jacobian / scale
        normal = scaled.T @ scaled
        width = len(free)
        while True:
            step = (
                np.linalg.lstsq(
                    np.vstack([scaled, math.sqrt(damping) * np.eye(len(normal))]),
                    np.concatenate([residual, np.zeros(len(normal))]),
                    rcond=None,
                )[0]
                / scale
            )
            new_shared = shared.copy()
            new_shared[free] += step[:width]
            new_speeds, new_offsets = speeds + step[width::2], offsets + step[width + 1 :: 2]
            if new_shared[_M] > 0:
                trial_jacobian, trial = _assemble(grids, free, new_shared, new_speeds, new_offsets)
                new_cost = float(trial @ trial)
                if np.isfinite(new_cost) and new_cost <= cost:
                    break
            damping *= 10
            if damping > 1e8:
                return shared, speeds, offsets, jacobian, residual, iteration
        gain = cost - new_cost
        shared, speeds, offsets = new_shared, new_speeds, new_offsets
        jacobian, residual, cost = trial_jacobian, trial, new_cost
        small = began <= 1e-5 and gain <= 1e-6 * cost
        damping = max(damping / 10, 1e-14)
        if small:
            return shared, speeds, offsets, jacobian, residual, iteration
    raise Refused(
        say("coasts-do-not-follow-inertia-and"),
        say("check-that-nothing-braked-slipped-or"),
        "coast",
    )


def _covariance(
    grids: list[_Grid], free: list[int], jacobian: Array, residual: Array, mass: float
) -> Array:
    """Covariance (4, 4) from timing noise (white) and from force noise (its double integral).

    Force noise enters the motion through integration, so its residuals are far from white; it is
    carried through the estimator exactly instead: estimate = G residual, residual = L noise.
    """
    scale = np.linalg.norm(jacobian, axis=0)
    used = scale > 0  # the x0 of a speed observation is not
    estimator = np.linalg.pinv(jacobian[:, used] / scale[used], rcond=1e-12)
    estimator = (estimator / scale[used][:, None])[: len(free)]
    dof = max(1, len(residual) - int(np.count_nonzero(used)))
    small = float(residual @ residual) / dof * (estimator @ estimator.T)
    start = 0
    for grid in grids:
        rows = estimator[:, start : start + len(grid.coast.observed)]
        start += len(grid.coast.observed)
        answer = _answer_to_noise(grid, rows) * (grid.coast.step_s / mass)
        small += force_noise(grid.force) ** 2 * (answer @ answer.T)
    covariance = np.zeros((4, 4))
    covariance[np.ix_(free, free)] = small
    return covariance


def _answer_to_noise(grid: _Grid, rows: Array) -> Array:
    """How each estimate answers to an impulse at each force sample; shape (free, n)."""
    times = grid.coast.time_s
    instants = grid.coast.step_s * np.arange(len(grid.force))
    first = np.searchsorted(times, instants, side="right")

    def from_here(values: Array) -> Array:
        tail = np.concatenate([np.cumsum(values[:, ::-1], axis=1)[:, ::-1], 0 * values[:, :1]], 1)
        return np.asarray(tail[:, first])

    if grid.coast.observable is Observable.SPEED:
        return from_here(rows)
    return from_here(rows * times) - instants * from_here(rows)


def force_noise(force_n: Array) -> float:
    """Standard deviation in N of the white part of a force record, from its second differences."""
    if len(force_n) < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(force_n, 2)))) / (0.6745 * math.sqrt(6.0))


def _flags(
    coasts: Sequence[Coast], speeds: Array, shared: Array, covariance: Array, inertia_found: bool
) -> tuple[str, ...]:
    flags = []
    if inertia_found:
        share = math.sqrt(max(0.0, float(covariance[0, 0]))) / float(shared[_M])
        if share > 0.02:
            raise _cannot_tell()
        if len({round(float(np.mean(coast.force_n)) / 100) for coast in coasts}) < 3:
            flags.append("fewer than three different loads; 40 CFR 1066.250 asks for three rates")
    top = float(np.max(speeds))
    grid = np.linspace(0.0, top, 50)
    if np.any(shared[_A] + grid * (shared[_B] + grid * shared[_C]) < 0):
        flags.append("the loss curve is negative somewhere; 40 CFR 1066.255 does not allow it")
    return tuple(flags)


def whole_turns(edge_time_s: Array, teeth: int, circumference_m: float) -> tuple[Array, Array]:
    """(times, travel) at every whole turn from consecutive tooth edges (none missing).

    Between whole turns of the same tooth the wheel's pitch errors and run-out cancel exactly.
    """
    times = np.asarray(edge_time_s, dtype=np.float64)[::teeth]
    return times, circumference_m * np.arange(len(times), dtype=np.float64)
