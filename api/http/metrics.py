"""Prometheus text exposition, written by hand: a score of lines needs no client library.

Data flows: Context and Health -> text. Names end in their unit; the format is the text exposition
format 0.0.4 of Prometheus.
"""

from __future__ import annotations

import asyncio
import math
from typing import TYPE_CHECKING

from control.telemetry import State

if TYPE_CHECKING:
    from api.http.context import Context
    from api.http.health import ServiceHealth

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"


class Exposition:
    """Collects lines; one `# HELP` and `# TYPE` per family."""

    def __init__(self) -> None:
        self._lines: list[str] = []

    def family(self, name: str, kind: str, text: str) -> None:
        """Begin a family of samples."""
        self._name = name
        self._lines += [f"# HELP {name} {text}", f"# TYPE {name} {kind}"]

    def sample(self, value: float, **labels: str) -> None:
        """One sample of the family begun last."""
        inside = ",".join(f'{key}="{_escaped(label)}"' for key, label in labels.items())
        self._lines.append(
            f"{self._name}{{{inside}}} {_number(value)}"
            if inside
            else f"{self._name} {_number(value)}"
        )

    def one(self, name: str, kind: str, text: str, value: float) -> None:
        """A family with a single sample."""
        self.family(name, kind, text)
        self.sample(value)

    def text(self) -> str:
        """All lines."""
        return "\n".join(self._lines) + "\n"


def exposition(context: Context, health: ServiceHealth) -> str:
    """Everything worth watching over weeks."""
    out = Exposition()
    out.one("drumlin_up", "gauge", "1 while the loop process talks.", float(health.loop_up))
    out.one(
        "drumlin_telemetry_age_seconds",
        "gauge",
        "Age of the newest telemetry.",
        health.telemetry_age_s,
    )
    _telemetry(out, context)
    out.one("drumlin_tasks", "gauge", "Tasks of the service.", len(asyncio.all_tasks()))
    out.one("drumlin_viewers", "gauge", "Live viewers connected.", health.viewers)
    out.one("drumlin_disk_free_bytes", "gauge", "Free space for recordings.", health.free_mb * 1e6)
    out.one("drumlin_runs_to_close", "gauge", "Runs that wait to be closed.", health.runs_to_close)
    out.one(
        "drumlin_audit_failures_total",
        "counter",
        "Audit entries that could not be written.",
        health.audit_failures,
    )
    out.one(
        "drumlin_access_refusals_total",
        "counter",
        "Requests refused for their token or code.",
        context.access.refusals,
    )
    out.family("drumlin_responses_total", "counter", "HTTP responses by status.")
    for status, number in sorted(context.responses.items()):
        out.sample(number, status=str(status))
    if health.mqtt is not None:
        out.one("drumlin_mqtt_connected", "gauge", "1 with a broker.", health.mqtt.connected)
        out.family("drumlin_mqtt_messages_total", "counter", "MQTT messages by fate.")
        for fate in ("published", "slow_taken", "slow_dropped", "slow_too_fast"):
            out.sample(getattr(health.mqtt, fate), fate=fate)
    return out.text()


def _telemetry(out: Exposition, context: Context) -> None:
    telemetry = context.loop.latest
    if telemetry is None or not context.loop.connected:
        return
    out.family("drumlin_state", "gauge", "1 for the state the rig is in.")
    for state in State:
        out.sample(float(telemetry.state is state), state=state.value)
    out.one(
        "drumlin_faults_active",
        "gauge",
        "Faults active now.",
        sum(1 for fault in telemetry.faults if fault.active),
    )
    loop = telemetry.health
    out.family("drumlin_loop_period_seconds", "gauge", "Loop period by quantile.")
    for quantile, value in (
        ("0.5", loop.period_p50_ms),
        ("0.99", loop.period_p99_ms),
        ("1", loop.period_max_ms),
    ):
        out.sample(value / 1000.0, quantile=quantile)
    for name, text, number in (
        ("drumlin_loop_overruns_total", "Loop periods over budget.", loop.overruns),
        ("drumlin_frames_total", "Frames received.", loop.frames),
        ("drumlin_frames_lost_total", "Frames lost.", loop.frames_lost),
        (
            "drumlin_frames_contradicting_total",
            "Frames dropped because they contradict themselves.",
            loop.frames_contradicting,
        ),
        ("drumlin_link_bytes_discarded_total", "Bytes discarded.", loop.bytes_discarded),
        ("drumlin_link_crc_failures_total", "Frames with a wrong CRC.", loop.crc_failures),
        ("drumlin_link_reconnects_total", "Link reconnections.", loop.reconnects),
    ):
        out.one(name, "counter", text, number)
    out.one("drumlin_link_up", "gauge", "1 while the front end is heard.", float(loop.link_up))
    out.one(
        "drumlin_link_round_trip_seconds",
        "gauge",
        "Question for the time to its answer, median.",
        loop.round_trip_p50_ms / 1000.0,
    )
    out.one(
        "drumlin_clock_rate_ppm",
        "gauge",
        "How much faster the host's clock runs than the front end's.",
        loop.clock_rate_ppm,
    )
    if telemetry.measured is not None:
        out.family("drumlin_roll_speed_metres_per_second", "gauge", "Roll surface speed.")
        for each in telemetry.measured.roll_sets:
            out.sample(each.speed.value, roll_set=each.name)
        out.family("drumlin_wheel_power_watts", "gauge", "Power at the roll surface.")
        for each in telemetry.measured.roll_sets:
            out.sample(each.power.value, roll_set=each.name)
    out.family("drumlin_rotor_kelvin", "gauge", "Rotor temperature.")
    for absorber in telemetry.absorbers:
        out.sample(absorber.rotor_k, absorber=absorber.name)


def _number(value: float) -> str:
    if math.isnan(value):
        return "NaN"
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    return repr(float(value))


def _escaped(label: str) -> str:
    return label.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
