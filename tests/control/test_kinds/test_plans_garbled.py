"""Plan files with anything in them: a plan, or one refusal with its remedy; never a defect."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.services.plan_files import load_plan
from control.campaigns.campaign import Campaign
from control.test_kinds.kinds import check_plan
from daq.errors import DrumlinError
from tests.control.control_stand import ROOT, tarnhow

FILES = sorted((ROOT / "plans").glob("*.toml"))
RIG = tarnhow()
values = st.one_of(
    st.integers(-(2**63), 2**63 - 1).map(str),
    st.floats(allow_nan=True).map(repr),
    st.sampled_from(["true", '""', '"x"', "[]", "{}", "[1, 2]", "[[0, 0]]", "1979-05-27", "''"]),
)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
@settings(max_examples=25, deadline=None, derandomize=True)
@given(data=st.data())
def test_a_value_put_in_the_place_of_another_is_taken_or_refused(
    path: Path, data: st.DataObject
) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    places = [number for number, line in enumerate(lines) if " = " in line]
    for _ in range(data.draw(st.integers(1, 3))):
        number = data.draw(st.sampled_from(places))
        lines[number] = f"{lines[number].split(' = ')[0]} = {data.draw(values)}"
    with tempfile.TemporaryDirectory() as folder:
        remedy = "none is needed"
        file = Path(folder) / path.name
        file.write_text("\n".join(lines), encoding="utf-8")
        try:
            plan = load_plan(file)
            if not isinstance(plan, Campaign):
                check_plan(plan, RIG, 9.5, True)
        except DrumlinError as refused:
            remedy = str(refused.remedy)
    assert remedy
