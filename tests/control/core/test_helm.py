"""The helm: one holder, kept alive, handed over with consent."""

from __future__ import annotations

import pytest

from control.core.commands import AskHelm, KeepHelm, OfferHelm, ReleaseHelm, TakeHelm
from control.core.helm import Helm
from control.telemetry import State
from daq.errors import Refused
from tests.control.control_stand import HOLDER, Stand


def test_the_free_helm_goes_to_whoever_takes_it_and_to_nobody_else() -> None:
    helm = Helm(3.0)
    assert helm.take("a", "Ada", 0.0)
    assert not helm.take("a", "Ada", 1.0), "taking it again only keeps it"
    with pytest.raises(Refused, match="Ada is at the helm"):
        helm.take("b", "Bo", 1.0)


def test_a_helm_without_heartbeat_expires_once() -> None:
    helm = Helm(3.0)
    helm.take("a", "Ada", 0.0)
    helm.keep("a", 2.0)
    assert not helm.expired(4.9)
    assert helm.expired(5.0)
    assert not helm.expired(6.0)
    assert helm.holder == ""


def test_only_the_holder_keeps_and_releases() -> None:
    helm = Helm(3.0)
    with pytest.raises(Refused, match="Nobody"):
        helm.keep("a", 0.0)
    helm.take("a", "Ada", 0.0)
    for act in (helm.release, lambda who: helm.keep(who, 0.0)):
        with pytest.raises(Refused, match="not you"):
            act("b")
    helm.release("a")
    assert helm.holder == ""


def test_the_helm_is_handed_over_only_to_whoever_asked() -> None:
    helm = Helm(3.0)
    with pytest.raises(Refused, match="free"):
        helm.ask("b", "Bo", 0.0)
    helm.take("a", "Ada", 0.0)
    with pytest.raises(Refused, match="has not asked"):
        helm.offer("a", "b", 0.0)
    helm.ask("b", "Bo", 0.0)
    assert helm.view(0.0).asked_by == "Bo"
    with pytest.raises(Refused, match="not you"):
        helm.offer("c", "b", 0.0)
    helm.offer("a", "b", 0.5)
    assert (helm.holder, helm.name, helm.view(0.5).asked_by) == ("b", "Bo", "")


def test_a_borrowed_name_gets_no_helm_and_a_second_asker_does_not_replace_a_first() -> None:
    helm = Helm(100.0)
    helm.take("a", "Ada", 0.0)
    helm.ask("token:bo", "Bo", 0.0)
    with pytest.raises(Refused, match="Bo has asked"):
        helm.ask("other:thief", "Bo", 1.0)
    assert (helm.view(1.0).asked_by, helm.view(1.0).asked_id) == ("Bo", "token:bo")
    for wrong in ("Bo", "other:thief", ""):
        with pytest.raises(Refused, match="has not asked"):
            helm.offer("a", wrong, 2.0)
    helm.ask("token:bo", "Bo", 20.0)  # still waiting
    helm.offer("a", "token:bo", 45.0)
    assert helm.holder == "token:bo"
    helm.ask("other:thief", "Bo", 50.0)
    helm.ask("a", "Ada", 81.0)  # the one before was never answered
    assert helm.view(81.0).asked_id == "a"


def test_an_unanswered_request_is_forgotten() -> None:
    helm = Helm(100.0)
    helm.take("a", "Ada", 0.0)
    helm.ask("b", "Bo", 0.0)
    with pytest.raises(Refused, match="has not asked"):
        helm.offer("a", "b", 31.0)


def test_an_expired_helm_eases_the_load_off() -> None:
    stand = Stand().loaded()
    stand.keep_helm = False
    stand.frames(3.2)
    assert stand.core.state is State.EASING
    assert stand.kinds("run-ended")[0].data["reason"] == "helm-expired"


def test_the_helm_changes_hands_under_load_without_a_bump() -> None:
    stand = Stand().loaded()
    before = stand.set_point
    assert stand.ask(AskHelm(0, "token:bo", "Bo")).accepted
    assert stand.ask(OfferHelm(0, HOLDER, "token:bo")).accepted
    stand.ask(KeepHelm(0, "token:bo"))
    assert stand.core.state is State.LOADED
    assert stand.core.telemetry().helm.name == "Bo"
    after = stand.set_point
    assert before is not None
    assert after is not None
    assert max(abs(a - b) for a, b in zip(before.currents, after.currents, strict=True)) < 100


def test_taking_a_held_helm_and_releasing_a_foreign_one_are_refused() -> None:
    stand = Stand().at_helm()
    assert stand.ask(TakeHelm(0, "token:bo", "Bo")).code == "helm-held"
    assert stand.ask(ReleaseHelm(0, "token:bo")).code == "helm-held"
    assert stand.ask(ReleaseHelm(0, HOLDER)).accepted
