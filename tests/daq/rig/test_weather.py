"""Weather comes from named channels or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.errors import Refused
from daq.readings import Quality, Reading, Unit, missing
from daq.rig.description import load_rig
from daq.rig.weather import weather_of

CHANNELS = load_rig(Path(__file__).parents[3] / "rigs" / "tarnhow.toml").slow


def readings() -> dict[str, Reading]:
    return {
        "ambient-temperature": Reading(298.15, Unit.KELVIN, 10.0, Quality.GOOD),
        "barometer": Reading(99_000.0, Unit.PASCAL, 10.0, Quality.GOOD),
        "humidity": Reading(0.4, Unit.RATIO, 10.0, Quality.GOOD),
    }


def test_weather_is_read_by_the_meaning_of_its_channels() -> None:
    weather = weather_of(CHANNELS, readings(), pressure_sigma_pa=30.0)
    assert (weather.temperature_k, weather.pressure_pa) == (298.15, 99_000.0)
    assert weather.relative_humidity == 0.4
    assert weather.pressure_sigma_pa == 30.0


@pytest.mark.parametrize("name", ["ambient-temperature", "barometer", "humidity"])
def test_a_missing_or_stale_channel_is_refused_by_name(name: str) -> None:
    slow = readings()
    slow[name] = missing(slow[name].unit, 3.0)
    with pytest.raises(Refused, match=name):
        weather_of(CHANNELS, slow)
    slow[name] = Reading(1.0, slow[name].unit, 3.0, Quality.AGING)
    with pytest.raises(Refused, match=name):
        weather_of(CHANNELS, slow)
    del slow[name]
    with pytest.raises(Refused, match=name):
        weather_of(CHANNELS, slow)


def test_a_rig_without_a_barometer_says_so() -> None:
    some = tuple(channel for channel in CHANNELS if channel.meaning != "pressure")
    with pytest.raises(Refused, match="no slow channel for pressure"):
        weather_of(some, readings())


def test_an_impossible_value_is_refused() -> None:
    slow = readings()
    slow["barometer"] = Reading(990.0, Unit.PASCAL, 10.0, Quality.GOOD)
    with pytest.raises(Refused, match="cannot be right"):
        weather_of(CHANNELS, slow)
