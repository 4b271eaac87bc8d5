"""docs/simulator.md names what there is: every fault, option and word of the seat."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from simulator.faults import MENU, Target
from simulator.running import _options

PAGE = (Path(__file__).parents[2] / "docs" / "simulator.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("target", list(Target))
def test_the_page_lists_every_fault(target: Target) -> None:
    menu = PAGE.split("## Fault menu")[1]
    row = next(line for line in menu.splitlines() if line.startswith(f"| {target} |"))
    assert sorted(row.split("|")[3].strip().split(", ")) == sorted(MENU[target])


def test_the_page_lists_every_option(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        _options(["--help"])
    options = set(re.findall(r"--[a-z-]+", capsys.readouterr().out)) - {"--help"}
    assert options
    for option in options:
        assert f"`{option}" in PAGE
