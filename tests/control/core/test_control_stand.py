"""The stand's chain offers what the real one does, so that what is tested with it can run."""

from __future__ import annotations

import inspect

import pytest

from control.core.session import ChainLike
from daq.measure.chain import Chain
from tests.control.control_stand import StandChain

METHODS = [
    name for name, one in vars(ChainLike).items() if inspect.isfunction(one) and name[0] != "_"
]


@pytest.mark.parametrize("name", METHODS)
def test_the_stands_chain_has_the_methods_of_the_real_one(name: str) -> None:
    real, fake = (
        list(inspect.signature(getattr(one, name)).parameters) for one in (Chain, StandChain)
    )
    wanted = list(inspect.signature(getattr(ChainLike, name)).parameters)
    assert real == wanted
    assert fake == wanted
