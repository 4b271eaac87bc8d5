"""The rig file: every mistake gets one clear message, and every key is in docs/rig.md."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.errors import RigError
from daq.rig.description import (
    Absorber,
    AbsorberMap,
    CoilHeat,
    DigitalInputs,
    Doubt,
    EngineSpeedSource,
    Limits,
    LinkConfig,
    LoadCell,
    Rig,
    RollSet,
    RotorHeat,
    ServiceIntervals,
    Site,
    SlowChannel,
    load_rig,
    parse_rig,
)
from daq.rig.supply import Amplifier, Chopper, PhaseControlled, Voltage
from daq.rig.units import SCALES
from tests.daq.synthetic import RIG_FILE

TEXT = RIG_FILE.read_text()
PAGE = (RIG_FILE.parents[1] / "docs" / "rig.md").read_text()
STRUCTS = (
    Rig, LinkConfig, RollSet, Absorber, LoadCell, AbsorberMap, RotorHeat, ServiceIntervals,
    EngineSpeedSource, SlowChannel, DigitalInputs, Limits, Site, Doubt, CoilHeat,
    Voltage, PhaseControlled, Chopper, Amplifier,
)  # fmt: skip


def test_the_demo_rig_is_read_as_it_is_written() -> None:
    rig = parse_rig(TEXT)
    assert [r.name for r in rig.roll_sets] == ["front", "rear"]
    assert [a.name for a in rig.absorbers_of("rear")] == ["rear-left", "rear-right"]
    assert rig.fingerprint == load_rig(RIG_FILE).fingerprint
    assert parse_rig(TEXT + "\n# changed").fingerprint != rig.fingerprint


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('roll_set = "rear"', 'roll_set = "middle"', "middle"),
        ("arm_m = 0.60", "arm_m = -0.60", "arm_m"),
        ("arm_m = 0.60", 'arm_m = "long"', "arm_m"),
        ("arm_m = 0.60", "arm_m = nan", "arm_m"),
        ("arm_m = 0.60", "arm_m = inf", "finite"),
        ("arm_sign = 1", "arm_sign = 0", "arm_sign"),
        ("forcing_a = 60.0", "forcing_a = 20.0", "forcing_a"),
        ("teeth = 60", "teeth = 0", "teeth"),
        ("teeth = 60", "teeth = 60\nteth = 61", "teth"),
        ('name = "front"\n', 'name = "rear"\n', "twice"),
        ('unit = "degC"', 'unit = "warm"', "warm"),
        ("pulses_per_rev = 2.0", "pulses_per_rev = 0.0", "pulses_per_rev"),
        ('[engine]\nwheel = "engine"', '[engine]\nwheel = "rear"', "roll set"),
        ("[engine]\n", '[engine]\nslow_channel = "no-such"\n', "no-such"),
        ("[engine]\n", '[engine]\nslow_channel = "boost"\n', "rev/min"),
        ('sensor = "rotor-rear-left"', 'sensor = "rotor-front"', "rotor-front"),
        ("loss_n = [62.0, 1.1, 0.021]", "loss_n = [62.0, -5.0, 0.021]", "negative"),
        ("capacity_n = 3000.0", "capacity_n = 9000.0", "capacity"),
        ("mass_kg = 75.0", "mass_kg = 75.0\nlimit_k = 400.0", "reentry_k"),
        ("frame_hz = 500", "frame_hz = 50", "frame_hz"),
        ("frame_hz = 500", "frame_hz = [", "TOML"),
        ("[site]", "[sight]", "sight"),
    ],
)
def test_a_mistake_is_named_with_the_way_to_mend_it(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(RigError) as refused:
        parse_rig(TEXT.replace(old, new, 1), "my.toml")
    assert said in str(refused.value)
    assert refused.value.problem.startswith("my.toml")
    assert len(refused.value.remedy) > 10


def test_a_cell_may_reach_its_capacity_a_little_beyond_the_converter_s_end() -> None:
    """2 mV/V at 10 V on a converter of +-20 mV: the sensitivity of sound cells spreads by 0.1 %."""
    cell = load_rig(RIG_FILE).absorbers[0].cell
    ends_at_n = cell.full_scale_mv_per_v * abs(cell.newton_per_mv_per_v)
    within, beyond = 1.0004 * ends_at_n, 1.02 * ends_at_n
    assert parse_rig(TEXT.replace("capacity_n = 3000.0", f"capacity_n = {within}")).absorbers
    with pytest.raises(RigError, match="capacity"):
        parse_rig(TEXT.replace("capacity_n = 3000.0", f"capacity_n = {beyond}"))


def test_a_file_that_is_missing_unreadable_or_a_directory_says_so(tmp_path: Path) -> None:
    with pytest.raises(RigError, match="no rig file"):
        load_rig(tmp_path / "nothing.toml")
    with pytest.raises(RigError, match="cannot be read"):
        load_rig(tmp_path)
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00name")
    with pytest.raises(RigError, match="cannot be read"):
        load_rig(tmp_path / "binary.toml")


def _only_rig_errors(text: str) -> None:
    try:
        rig = parse_rig(text)
    except RigError:
        return  # any other exception fails the test
    assert rig.roll_sets


LINES = TEXT.splitlines()


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    place=st.integers(0, len(LINES) - 1),
    value=st.one_of(
        st.integers(-(10**30), 10**30).map(str),
        st.floats(allow_nan=True).map(repr),
        st.text(max_size=30).map(lambda text: '"' + text.replace("\\", "").replace('"', "") + '"'),
        st.sampled_from(["[]", "{}", "[[1,2],3]", "true", "1979-05-27", "", "= =", "\x00"]),
    ),
)
def test_any_value_in_any_line_gives_a_rig_or_a_rig_error(place: int, value: str) -> None:
    lines = LINES.copy()
    key = lines[place].split("=")[0]
    lines[place] = f"{key}= {value}"
    _only_rig_errors("\n".join(lines))


@settings(max_examples=200, deadline=None)
@given(cut=st.integers(0, len(TEXT)), size=st.integers(0, 400), filler=st.text(max_size=20))
def test_any_damage_to_the_text_gives_a_rig_or_a_rig_error(
    cut: int, size: int, filler: str
) -> None:
    _only_rig_errors(TEXT[:cut] + filler + TEXT[cut + size :])


@pytest.mark.parametrize("text", ["", "x" * 10, "a = " + "[" * 5000, "a=" + "9" * 5000, "\x00"])
def test_what_is_no_rig_at_all_is_refused(text: str) -> None:
    with pytest.raises(RigError):
        parse_rig(text)


def test_every_key_of_the_rig_file_is_on_its_page() -> None:
    for struct in STRUCTS:
        for field in msgspec.structs.fields(struct):
            if field.name == "fingerprint" or isinstance(field.default, msgspec.Struct):
                continue
            assert f"`{field.name}`" in PAGE, f"docs/rig.md says nothing of {field.name}"


def test_the_page_names_no_key_that_does_not_exist() -> None:
    known = {field.name for struct in STRUCTS for field in msgspec.structs.fields(struct)}
    for row in re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", PAGE, re.MULTILINE):
        for key in re.findall(r"`(\w+)`", row):
            assert key in known, f"docs/rig.md explains {key}, which does not exist"


def test_the_page_names_every_default_and_unit() -> None:
    for struct in STRUCTS:
        for field in msgspec.structs.fields(struct):
            default = field.default
            if isinstance(default, int | float) and not isinstance(default, bool):
                row = next(
                    line for line in PAGE.splitlines() if line.startswith(f"| `{field.name}` |")
                )
                shown = {
                    cell.strip()
                    for row in PAGE.splitlines()
                    if row.startswith(f"| `{field.name}` |")
                    for cell in row.split("|")
                }
                assert f"{default:g}" in shown or f"{default}" in shown, row
    for unit in SCALES:
        assert f"`{unit}`" in PAGE
