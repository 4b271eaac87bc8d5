"""How sure the rig is of speed, force, torque and power: per sample and per result.

Data flow: aligned columns of a run (per roll set speed, acceleration, force of each absorber, noise
sigmas) + the rig's stated sigmas -> `Effects`: for every systematic source the signed error one
sigma of it would cause in every sample, plus the noise variance. Because the signs are kept,
correlations between samples, roll sets, force and speed survive every linear evaluation: a mean, a
smoothed curve or a difference simply applies its weights to the rows (`Effects.budget`).

The model is that of daq.measure.chain, with w the roll's and g the absorber's gear ratio:
    v = w r,  F = sum(cell x arm x g) / r + loss(v) + M dv/dt,  P = F v
so the roll radius drops out of the absorbed part of the power and stays in force and speed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.rig.description import Rig, RollSet
from daq.uncertainty.budget import Budget, Source, assemble

Array = npt.NDArray[np.float64]
COMMON_SLOPE = "common cell slope"
NOISE_CORRELATION_S = 0.1  # the window of the causal speed estimate: noise inside it is shared


class RollSetColumns(msgspec.Struct, frozen=True, eq=False):
    """One roll set over a run, aligned to common times. Arrays of shape (n,) unless stated.

    The noise arrays may also be plain numbers. `absorber_n` is at the roll surface.
    """

    speed_mps: Array
    acceleration_mps2: Array
    absorber_n: Array  # (absorbers of the set in rig order, n)
    speed_noise_mps: Array | float = 0.0
    acceleration_noise_mps2: Array | float = 0.0
    absorber_noise_n: Array | float = 0.0  # all absorbers of the set together


class Effects(msgspec.Struct, frozen=True, eq=False):
    """A quantity over a run with what could be wrong about it."""

    quantity: str
    unit: str
    values: Array  # (n,)
    sources: tuple[Source, ...]  # the systematic ones
    effects: Array  # (sources, n), error of the quantity for one sigma, signed
    noise_variance: Array  # (n,), all of it
    noise_frames: float  # frames over which the noise is one and the same
    rate_variance: Array  # (n,), the part of it that is noise of dv/dt
    rate_rows: Array  # (roll sets, n), error for a rate of one sigma of speed noise per second
    step_s: float  # between samples

    def sigma(self) -> Array:
        """Combined standard uncertainty of every sample, (n,)."""
        return np.asarray(np.sqrt(np.sum(self.effects**2, axis=0) + self.noise_variance))

    def budget(self, weights: Array | None = None, level: float = 0.95) -> Budget:
        """Budget of a linear result, sum(weights x values); the mean when no weights are given."""
        n = len(self.values)
        w = np.full(n, 1.0 / n) if weights is None else np.asarray(weights, dtype=np.float64)
        plain = self._averaged(w * w, np.maximum(self.noise_variance - self.rate_variance, 0.0))
        noise = math.sqrt(plain + self._averaged_rate(w))
        sources = (*self.sources, Source("noise", 0.0, noise, self.unit, origin="this run"))
        contributions = np.append(self.effects @ w, noise)
        return assemble(
            self.quantity, self.unit, float(w @ self.values), sources, contributions, level=level
        )

    def _averaged(self, squares: Array, variance: Array) -> float:
        """Variance of a weighted sum of noise that is shared over `noise_frames`.

        Correlated noise averages down by its correlation length less than white noise would, but
        never to more than if all of it were one and the same.
        """
        shared = float(np.sum(np.sqrt(squares * variance))) ** 2
        return min(float(np.sum(squares * variance)) * max(1.0, self.noise_frames), shared)

    def _averaged_rate(self, w: Array) -> float:
        """Variance that noise of acceleration leaves in a weighted sum.

        Acceleration is the rate of speed, so its noise telescopes: what a mean over a time T keeps
        is the noise of speed at both ends over T, and not the noise of single samples over root n.
        Summation by parts: sum(q dv/dt) = -sum(v dq/dt), ends included.
        """
        total = 0.0
        for row in self.rate_rows:
            ends = np.diff(np.concatenate(([0.0], w * row, [0.0]))) / self.step_s
            total += self._averaged(ends * ends, np.ones_like(ends))
        return min(total, self._averaged(w * w, self.rate_variance))

    def scaled(self, factor: float, factor_sigma: float, name: str) -> Effects:
        """The quantity times an uncertain factor, e.g. a weather correction."""
        row = self.values * factor_sigma
        source = Source(name, factor, factor_sigma, "1", origin="stated beside the factor")
        return msgspec.structs.replace(
            self,
            values=self.values * factor,
            sources=(*self.sources, source),
            effects=np.vstack([self.effects * factor, row[None, :]]),
            noise_variance=self.noise_variance * factor**2,
            rate_variance=self.rate_variance * factor**2,
            rate_rows=self.rate_rows * factor,
        )

    def torque(
        self,
        engine_radps: Array,
        relative_sigma: float = 0.0,
        noise_radps: Array | float = 0.0,
    ) -> Effects:
        """Torque referred to the engine, from power and engine speed in rad/s, (n,).

        `relative_sigma` is that of the engine speed (pickup time base, or the learned ratio).
        Samples without engine speed become NaN.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = np.where(engine_radps > 0, 1.0 / engine_radps, np.nan)
        torque = self.values * inverse
        source = Source(
            "engine speed", 1.0, relative_sigma, "1", origin="pickup or learned ratio, relative"
        )
        return msgspec.structs.replace(
            self,
            quantity="engine torque (wheel figure)",
            unit="N.m",
            values=torque,
            sources=(*self.sources, source),
            effects=np.vstack([self.effects * inverse, -torque[None, :] * relative_sigma]),
            noise_variance=self.noise_variance * inverse**2
            + (torque * inverse * np.asarray(noise_radps)) ** 2,
            rate_variance=self.rate_variance * inverse**2,
            rate_rows=self.rate_rows * inverse,
        )


class RigEffects(msgspec.Struct, frozen=True, eq=False):
    """Every quantity of a run: lists in rig order of roll sets, and the rig as a whole."""

    speed: tuple[Effects, ...]
    absorber_force: tuple[Effects, ...]
    tractive_force: tuple[Effects, ...]
    wheel_torque: tuple[Effects, ...]  # tractive force x roll radius
    power: tuple[Effects, ...]
    total_force: Effects
    total_power: Effects


def rig_sources(
    rig: Rig, alignment_sigma_s: float | None = None, shared_calibration: float | None = None
) -> tuple[Source, ...]:
    """The systematic sources of a rig in the order `evaluate` uses them.

    `alignment_sigma_s` and `shared_calibration` stand in the rig file unless they are given here.
    `shared_calibration` is the share (0..1) of each cell's slope variance that all cells have in
    common because the same weights and arm calibrated them; it becomes a source of its own, last,
    so that the correlation of the cells is kept.
    """
    if alignment_sigma_s is None:
        alignment_sigma_s = rig.uncertainty.alignment_sigma_s
    if shared_calibration is None:
        shared_calibration = rig.uncertainty.shared_calibration
    if not 0.0 <= shared_calibration <= 1.0:
        raise ValueError("the shared part of the calibration lies between 0 and 1")
    own = math.sqrt(1.0 - shared_calibration)
    sources: list[Source] = []
    for s in rig.roll_sets:
        sources.extend(
            [
                Source(
                    f"{s.name} roll radius",
                    s.roll_radius_m,
                    s.roll_radius_sigma_m,
                    "m",
                    origin="measured rolls",
                ),
                Source(
                    f"{s.name} base inertia",
                    s.base_inertia_kg,
                    s.base_inertia_sigma_kg,
                    "kg",
                    origin="inertia procedure",
                ),
                Source(f"{s.name} loss", 0.0, s.loss_sigma_n, "N", origin="coastdown"),
                Source(
                    f"{s.name} alignment",
                    0.0,
                    alignment_sigma_s,
                    "s",
                    origin="step test of delays",
                ),
            ]
        )
        for absorber in rig.absorbers_of(s.name):
            cell = absorber.cell
            sources.extend(
                [
                    Source(
                        f"{absorber.name} cell slope",
                        1.0,
                        cell.relative_sigma * own,
                        "1",
                        origin="dead weights: masses, arm, local g, fit",
                    ),
                    Source(
                        f"{absorber.name} cell zero",
                        0.0,
                        cell.zero_sigma_n,
                        "N",
                        origin="zero drift since the last zero",
                    ),
                ]
            )
    sources.append(
        Source(
            COMMON_SLOPE,
            0.0,
            math.sqrt(shared_calibration),
            "1",
            origin="same weights and arm for all cells, in units of each cell's slope sigma",
        )
    )
    return tuple(sources)


class _Set(msgspec.Struct, frozen=True, eq=False):
    """Parts of one roll set's motion that several quantities need."""

    config: RollSet
    v: Array
    a: Array
    force: Array  # absorbers together, N
    loss: Array
    tractive: Array
    tractive_noise: Array  # variance
    rate_noise: Array  # variance, the part of it that comes from dv/dt
    rate: Array  # M x sigma of speed, N per (1/s)
    speed_noise: Array  # variance


def evaluate(
    rig: Rig,
    columns: Sequence[RollSetColumns],
    step_s: float,
    *,
    alignment_sigma_s: float | None = None,
    noise_correlation_s: float = NOISE_CORRELATION_S,
    shared_calibration: float | None = None,
) -> RigEffects:
    """Effects of every source on every quantity of a run; `columns` in rig order of roll sets.

    `noise_correlation_s` is how long the noise of speed and acceleration stays the same: 0.1 s
    for the causal estimates, about a frame for a smoother that states white noise.
    """
    if len(columns) != len(rig.roll_sets):
        raise ValueError("one set of columns for each roll set of the rig")
    sources = rig_sources(rig, alignment_sigma_s, shared_calibration)
    place = {source.name: index for index, source in enumerate(sources)}
    n = len(columns[0].speed_mps)
    frames = noise_correlation_s / step_s
    parts = [_set(config, data) for config, data in zip(rig.roll_sets, columns, strict=True)]

    def make(
        quantity: str,
        unit: str,
        values: Array,
        rows: dict[str, Array],
        var: Array,
        rate: tuple[Array, Array] | None = None,
    ) -> Effects:
        """`rate`: what of the noise comes from dv/dt, as variance and as row of `rate_rows`."""
        effects = np.zeros((len(sources), n))
        for name, row in rows.items():
            index = place[name]
            effects[index] = row * sources[index].sigma
        of_rate, rate_row = rate if rate is not None else (np.zeros(n), np.zeros(n))
        return Effects(
            quantity, unit, values, sources, effects, var, frames, of_rate, rate_row[None, :],
            step_s,
        )  # fmt: skip

    speed, absorber, tractive, torque, power = [], [], [], [], []
    for part, data in zip(parts, columns, strict=True):
        s, v = part.config, part.v
        r = s.roll_radius_m
        absorber_rows = _absorber_rows(rig, s, data, part, step_s)
        force_rows = dict(absorber_rows)
        # loss(v) and M a follow the roll surface speed, so they move with the radius
        slope = s.loss_n[1] + 2 * s.loss_n[2] * v
        force_rows[f"{s.name} roll radius"] = (
            -part.force + slope * v + s.base_inertia_kg * part.a
        ) / r
        force_rows[f"{s.name} base inertia"] = part.a
        force_rows[f"{s.name} loss"] = np.where(v > 0.05, 1.0, 0.0)
        power_rows = {name: row * v for name, row in force_rows.items()}
        power_rows[f"{s.name} roll radius"] = power_rows[f"{s.name} roll radius"] + (
            part.tractive * v / r
        )
        torque_rows = {name: row * r for name, row in force_rows.items()}
        torque_rows[f"{s.name} roll radius"] = torque_rows[f"{s.name} roll radius"] + part.tractive
        speed.append(
            make(f"{s.name} speed", "m/s", v, {f"{s.name} roll radius": v / r}, part.speed_noise)
        )
        absorber.append(
            make(
                f"{s.name} absorber force",
                "N",
                part.force,
                absorber_rows,
                np.broadcast_to(np.square(data.absorber_noise_n), (n,)).astype(np.float64),
            )
        )
        tractive.append(
            make(
                f"{s.name} tractive force",
                "N",
                part.tractive,
                force_rows,
                part.tractive_noise,
                (part.rate_noise, part.rate),
            )
        )
        torque.append(
            make(
                f"{s.name} wheel torque at the roll",
                "N.m",
                part.tractive * r,
                torque_rows,
                part.tractive_noise * r * r,
                (part.rate_noise * r * r, part.rate * r),
            )
        )
        power.append(
            make(
                f"{s.name} power",
                "W",
                part.tractive * v,
                power_rows,
                part.tractive_noise * v**2 + part.speed_noise * part.tractive**2,
                (part.rate_noise * v**2, part.rate * v),
            )
        )
    return RigEffects(
        tuple(speed),
        tuple(absorber),
        tuple(tractive),
        tuple(torque),
        tuple(power),
        _total("tractive force", tractive),
        _total("wheel power", power),
    )


def _set(config: RollSet, data: RollSetColumns) -> _Set:
    v, a = data.speed_mps, data.acceleration_mps2
    la, lb, lc = config.loss_n
    force = np.sum(np.atleast_2d(data.absorber_n), axis=0)
    # as in daq.measure.chain: standing rolls lose nothing
    loss = np.where(v > 0.05, la + v * (lb + v * lc), 0.0)
    n = len(v)
    rate = np.broadcast_to(
        np.square(config.base_inertia_kg * np.asarray(data.acceleration_noise_mps2)), (n,)
    ).astype(np.float64)
    noise = np.square(data.absorber_noise_n) + rate
    # one number for the run: its estimate moves from frame to frame, the noise itself does not
    speed_noise = math.sqrt(float(np.nanmean(np.square(data.speed_noise_mps))))
    return _Set(
        config,
        v,
        a,
        force,
        loss,
        force + loss + config.base_inertia_kg * a,
        np.broadcast_to(noise, (n,)).astype(np.float64),
        rate,
        np.full(n, config.base_inertia_kg * speed_noise),
        np.broadcast_to(np.square(data.speed_noise_mps), (n,)).astype(np.float64),
    )


def _absorber_rows(
    rig: Rig, s: RollSet, data: RollSetColumns, part: _Set, step_s: float
) -> dict[str, Array]:
    rows = {f"{s.name} roll radius": -part.force / s.roll_radius_m}
    n = len(part.v)
    rows[f"{s.name} alignment"] = np.gradient(part.force, step_s) if n > 1 else np.zeros(n)
    absorbers = rig.absorbers_of(s.name)
    forces = np.atleast_2d(data.absorber_n)
    if len(forces) != len(absorbers):
        raise ValueError(f"roll set '{s.name}' has {len(absorbers)} absorbers")
    common = np.zeros(n)
    for absorber, force in zip(absorbers, forces, strict=True):
        rows[f"{absorber.name} cell slope"] = force
        common += force * absorber.cell.relative_sigma
        rows[f"{absorber.name} cell zero"] = np.full(
            n, absorber.arm_m * absorber.gear_ratio / s.roll_radius_m
        )
    rows[COMMON_SLOPE] = common
    return rows


def _total(quantity: str, parts: Sequence[Effects]) -> Effects:
    first = parts[0]
    return Effects(
        quantity,
        first.unit,
        np.sum([part.values for part in parts], axis=0),
        first.sources,
        np.sum([part.effects for part in parts], axis=0),
        np.sum([part.noise_variance for part in parts], axis=0),
        first.noise_frames,
        np.sum([part.rate_variance for part in parts], axis=0),
        np.vstack([part.rate_rows for part in parts]),
        first.step_s,
    )
