"""Campaigns, tune-ups, pairing by camera, second evaluations: the page before a made-up rig."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]


def test_a_campaign_is_begun_as_the_service_takes_it(stand: Any, tablets: Any) -> None:
    """The made-up service decodes what comes by the real one's structs."""
    tablet = tablets(stand.address).open("campaign")
    tablet.button("A-B-B-A").click()
    tablet.page.fill("#campaign-repeats", "0")
    tablet.see("Times over: between 1 and 50")
    tablet.page.fill("#campaign-repeats", "3")
    tablet.see("12 runs")
    tablet.page.fill("#campaign-oil", "")  # does not matter
    tablet.button("Begin the campaign").click()
    tablet.see("Run 3 of 6 may start")
    assert "campaign" in stand.posts()
    expect(tablet.page.locator(".campaign-track li")).to_have_count(12)


def test_a_run_of_a_campaign_needs_helm_ready_a_look_and_a_held_thumb(
    stand: Any, tablets: Any
) -> None:
    stand.scene(campaign="ask")
    tablet = tablets(stand.address).open("campaign")
    tablet.see("To start, take the helm.")
    stand.scene(state="ready", acknowledged=True)
    tablet.take_helm()
    tablet.see("First look at truck, straps and people")
    tablet.press_in_vain("Start run 3")
    assert "campaign/run" not in stand.posts()
    tablet.page.locator("#campaign-checked").check()
    tablet.press_briefly("Start run 3")  # a tap starts nothing
    assert "campaign/run" not in stand.posts()
    tablet.press_and_hold("Start run 3")
    tablet.see("Test started.")
    assert "campaign/run" in stand.posts()


def test_a_campaign_says_what_it_waits_for(stand: Any, tablets: Any) -> None:
    stand.scene(campaign="waiting")
    tablet = tablets(stand.address, locale="de-DE").open("campaign")
    tablet.see("Wartet auf gleiche Bedingungen")
    tablet.see("Öl ist bei 104 °C; der erste Lauf begann bei 92 °C (erlaubt sind 5 °C).")
    expect(tablet.page.locator(".campaign-alike tr", has_text="Öl")).to_contain_text("+12,1 K")
    tablet.see("Der Zug stieg nicht oder blieb nicht.")


def test_a_changed_set_up_is_told_and_a_campaign_is_ended_by_holding(
    stand: Any, tablets: Any
) -> None:
    stand.scene(campaign="change")
    tablet = tablets(stand.address).open("campaign")
    tablet.press_and_hold("Set-up A is fitted")
    tablet.see("Waiting for like conditions")
    tablet.button("Pause").click()
    tablet.see("The service was restarted.")
    tablet.press_briefly("End the campaign")
    assert "campaign/stop" not in stand.posts()
    tablet.press_and_hold("End the campaign")
    tablet.see("Ended before all runs were done")
    assert "campaign/stop" in stand.posts()


def test_a_pairing_code_is_shown_as_letters_and_as_a_square(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("people")
    tablet.button("operates").click()
    tablet.see("ABCDEFGH")
    square = tablet.page.locator(".pair-qr")
    square.wait_for()
    assert square.evaluate("(image) => image.decode().then(() => image.naturalWidth > 0)")
    tablet.settle()
    box = square.bounding_box()
    assert box["width"] >= 240, "read by a camera at arm's length"
    assert not tablet.complaints


def test_the_link_of_a_square_brings_its_code_along(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address)
    tablet.open("pair/ABCDEFGH", live=False)
    tablet.see("Pair this tablet")
    expect(tablet.page.locator("#pair-code")).to_have_value("ABCDEFGH")


def test_a_run_is_evaluated_again_with_other_settings(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("runs/20261125-084000-mad0")
    tablet.page.get_by_text("Evaluate with other settings").click()
    tablet.page.select_option("#evaluate-rule", "iso-1585-diesel")
    tablet.button("Evaluate again").click()
    tablet.see("Give numbers above zero.")
    for name, value in (("fuel_g_per_s", "12"), ("displacement_l", "6.7"), ("speed_rpm", "2800")):
        tablet.page.fill(f"#evaluate-{name}", value)
    tablet.button("Evaluate again").click()
    tablet.wait("document.querySelector('.run-tools a').href.includes('number=2')")
    assert "evaluate" in stand.posts()
    assert "units=metric" in tablet.page.locator(".run-tools a").first.get_attribute("href")


def test_a_tune_up_is_read_and_accepted_by_holding(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("absorbers")
    tablet.see("gain margin 3.1, phase 54°")
    expect(tablet.page.locator(".prove-card")).to_have_count(4)
    states = tablet.page.locator(".prove-card").evaluate_all(
        "(cards) => cards.map((card) => card.dataset.state)"
    )
    assert states == ["passed", "overdue", "never", "never"]
    tablet.take_helm()
    tablet.press_briefly("Put the advice in force")
    assert "identification/tune-up/accept" not in stand.posts()
    tablet.press_and_hold("Put the advice in force")
    tablet.see("In force.")
    assert "identification/tune-up/accept" in stand.posts()
