"""Is everything there that should be? What /api/health answers and /metrics counts."""

from __future__ import annotations

import msgspec

from api.mqtt.bridge import MqttCounters
from api.runtime.protection import Protection


class ServiceHealth(msgspec.Struct, frozen=True):
    """Is everything there that should be?"""

    ok: bool
    version: str
    loop_up: bool
    telemetry_age_s: float  # null before the first
    catalogue_ok: bool
    runs_to_close: int
    free_mb: float  # null: the data directory does not answer
    disk_ok: bool
    audit_failures: int
    viewers: int
    loop_protection: Protection | None  # null: no loop
    mqtt: MqttCounters | None  # null: not configured
