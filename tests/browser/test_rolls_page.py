"""At the rolls, in a real browser: honest figures, the helm, and actions that need a held thumb."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import expect

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

STOPPED = {
    "state": "tripped",
    "cause": "stop-chain-open",
    "faults": [
        {
            "code": "stop-chain-open", "effect": "trip", "text": "The stop chain is open.",
            "remedy": "Find who opened it and why, close it, then reset.",
            "since_s": 1.0, "active": True,
        }
    ],
}  # fmt: skip


def figure(text: str) -> float:
    return float(re.sub(r"[^\d.−-]", "", text).replace("−", "-"))


def test_the_ledger_adds_up_to_what_the_tyres_deliver(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    page = tablet.page
    tablet.settle()
    total, *parts = page.evaluate(
        """() => [document.querySelector('.ledger-figure').textContent,
          ...[...document.querySelectorAll('.ledger-sums .part')].map((part) =>
            (part.classList.contains('back') ? '-' : '') + part.querySelector('b').textContent)]"""
    )
    # each figure is rounded to 0.1, so four of them may be off by 0.2 together
    assert sum(map(figure, parts)) == pytest.approx(figure(total), abs=0.21)
    rows = page.locator(".row-total").all_text_contents()
    assert len(rows) == 2, "one row per roll set"
    expect(page.locator(".check")).to_have_attribute("data-fits", "yes")
    assert not tablet.complaints


def test_a_missing_reading_is_a_dash_with_its_reason(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True, missing_engine=True, run_id="")
    tablet = tablets(stand.address).open()
    tablet.open("rig")
    row = tablet.page.locator("tr", has_text="Engine speed")
    expect(row).to_contain_text("missing")
    assert "–" in row.text_content()


def test_a_doubted_cell_is_called_suspect(stand: Any, tablets: Any) -> None:
    stand.scene(suspect_cell=True)
    tablet = tablets(stand.address).open("rig")
    expect(tablet.page.locator("tr", has_text="Rear left: cell")).to_contain_text("suspect")


def test_unknown_rotor_temperatures_give_no_headroom(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", rotor_unknown=True)
    tablet = tablets(stand.address).open()
    tablet.see("The rotor temperatures are not known yet")
    expect(tablet.page.locator(".heat-figure")).to_have_text("–")


def test_silence_greys_the_page_and_shows_its_age(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    stand.scene(silent=True)
    tablet.page.wait_for_selector("body.stale")
    tablet.see("No word from the rig")
    expect(tablet.page.locator(".guide-timer")).to_contain_text("old")
    stand.scene(silent=False)
    tablet.page.wait_for_selector("body:not(.stale)")


def test_no_reading_is_called_good_while_the_rig_is_silent(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open("rig")
    row = tablet.page.locator(".readings tr", has_text="Front: speed")
    colour = "cell => getComputedStyle(cell).color"
    expect(row).to_contain_text("good")
    live = row.locator("td").first.evaluate(colour)
    stand.scene(silent=True)
    tablet.page.wait_for_selector("body.stale")
    tablet.wait("!/good/.test(document.querySelector('.readings tbody').textContent)")
    expect(row).to_contain_text("old")
    tablet.until("grey figures", lambda: row.locator("td").first.evaluate(colour) != live)
    for card in (".inputs", ".air"):
        expect(tablet.page.locator(card)).to_have_css("filter", "grayscale(1)")
    tablet.open("heat", live=False)
    tablet.page.wait_for_selector("body.stale")
    for card in (".heat-lead", ".endurance"):
        expect(tablet.page.locator(card)).to_have_css("filter", "grayscale(1)")


def test_silence_shows_within_half_a_second_by_construction(modules: Any) -> None:
    stale_ms = modules("import('./js/store.js').then((module) => module.STALE_MS)")
    clock_ms = int(
        re.search(r"FIGURES_MS = (\d+)", modules(
            "fetch('js/main.js').then((answer) => answer.text())"))[1]
    )  # fmt: skip
    assert stale_ms + clock_ms <= 500


def test_what_is_sent_again_after_a_reconnect_never_passes_as_new(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    stand.scene(frozen=True)
    stand.scene(close_sockets=True)
    page = tablet.page
    page.wait_for_selector("body.stale")
    tablet.wait("drumlin.line.socket?.readyState === 1")
    page.wait_for_timeout(900)  # old messages keep coming all the while
    assert page.evaluate("document.body.classList.contains('stale')")
    assert page.locator('.link[data-kind="live"]').count() == 0
    stand.scene(frozen=False)
    page.wait_for_selector('.link[data-kind="live"]')


def test_a_silent_front_end_greys_readings_but_not_the_state(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    stand.scene(link_dead=True)
    tablet.page.wait_for_selector("body.stale")
    tablet.see("No frames")
    stand.scene(**STOPPED)
    tablet.page.wait_for_selector('.guide[data-state="tripped"]')


def test_a_loop_that_is_gone_is_said_so_although_the_service_answers(
    stand: Any, tablets: Any
) -> None:
    tablet = tablets(stand.address).open()
    stand.scene(loop_up=False, frozen=True)
    tablet.see("The loop process does not answer")
    tablet.see("No word from the rig")


def test_a_backlog_shows_as_old_and_not_as_new(modules: Any) -> None:
    ages = modules(
        """async () => {
          const { Store } = await import('./js/store.js');
          const store = new Store();
          const reading = { value: 1, quality: 'good' };
          const at = (time_s) => ({ state: 'parked', time_s, sent_s: time_s, age_s: 0, measured:
            { time_s, roll_sets: [{ speed: reading, power: reading }], engine_speed: reading } });
          const real = performance.now;
          let now = 0;
          performance.now = () => now;
          try {
            for (now = 0; now <= 1000; now += 40) store.take(at(now / 1000), 1);
            const prompt = store.ageMs(now);
            now = 6000; // five seconds of messages arrive at once
            const burst = [];
            for (let t = 1.04; t < 6; t += 0.04) {
              store.take(at(t), 1);
              burst.push(store.ageMs(now));
            }
            return [prompt, burst[0], burst[60], burst.at(-1)];
          } finally { performance.now = real; }
        }"""
    )
    prompt, first, middle, last = ages
    assert prompt < 100
    assert first == pytest.approx(4960, abs=50)
    assert 2000 < middle < 3000
    assert last < 100


def test_the_first_message_of_a_line_is_only_a_baseline(modules: Any) -> None:
    told = modules(
        """async () => {
          const { Store } = await import('./js/store.js');
          const store = new Store();
          const at = (time_s) => ({ state: 'parked', time_s, measured: null });
          const told = [store.take(at(10), 1), store.take(at(10.1), 1)];
          told.push(store.take(at(10.1), 1));   // the same again
          told.push(store.take(at(10.2), 2));   // a new line: baseline
          told.push(store.take(at(10.3), 2));
          told.push(store.take(at(2.0), 2));    // the loop restarted: baseline
          told.push(store.take(at(2.1), 2));
          return told;
        }"""
    )
    assert told == [False, True, False, False, True, False, True]


def test_the_helm_is_taken_seen_asked_for_and_handed_over(stand: Any, tablets: Any) -> None:
    first = tablets(stand.address).open()
    second = tablets(stand.address).open()
    first.take_helm()
    second.page.get_by_text("has the helm").first.wait_for()
    second.button("Ask for the helm").click()
    first.see("demo (demo · ther) asks for the helm")
    first.press_briefly("Hand over the helm")  # a tap must not hand it over
    first.page.wait_for_timeout(300)
    assert "helm/offer" not in stand.posts()
    first.press_and_hold("Hand over the helm")
    first.page.get_by_text("has the helm").first.wait_for()
    assert "helm/offer" in stand.posts()


def test_the_helm_is_kept_alive_while_the_page_is_in_front(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open()
    tablet.take_helm()
    taken = stand.posts().count("helm/keep")
    tablet.until("heartbeats", lambda: stand.posts().count("helm/keep") >= taken + 3)
    assert tablet.page.get_by_text("You have the helm", exact=True).is_visible()


def test_cautions_light_up_one_by_one_before_they_are_acknowledged(
    stand: Any, tablets: Any
) -> None:
    tablet = tablets(stand.address).open()
    tablet.button("Take the helm").click()  # and with it the cautions come
    tablet.see("The hardwired stop chain is the emergency stop.")
    assert not tablet.button("Make ready").is_visible()
    seen = tablet.page.locator("li.caution[data-seen]")
    tablet.press_briefly("All checked at the truck")
    assert "acknowledge" not in stand.posts()
    assert seen.count() == 0
    tablet.page.fill("#caution-vehicle", "Invented truck")
    tablet.press_and_hold("All checked at the truck")
    tablet.button("Make ready").wait_for()
    assert "acknowledge" in stand.posts()


def test_one_line_shows_what_is_done_and_what_comes_next(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open()
    line = tablet.page.locator(".steps li")

    def shown() -> dict[str, str]:
        return {one.inner_text(): one.get_attribute("data-how") for one in line.all()}

    tablet.page.locator('.steps li[data-how="next"]', has_text="Helm").wait_for()
    stand.scene(zeros_missing=["front-left"])
    tablet.button("Take the helm").click()
    tablet.page.wait_for_selector(".sheet")
    tablet.page.keyboard.press("Escape")
    tablet.page.locator('.steps li[data-how="next"]', has_text="Cautions").wait_for()
    assert shown()["Helm"] == "done"
    stand.scene(acknowledged=True)
    tablet.page.locator('.steps li[data-how="next"]', has_text="Zeros").wait_for()
    expect(tablet.page.locator(".dock-next .lead:visible")).to_have_text(["Zero the cells"])
    stand.scene(zeros_missing=[])
    tablet.page.locator('.steps li[data-how="next"]', has_text="Ready").wait_for()
    expect(tablet.page.locator(".dock-next .lead:visible").first).to_contain_text("Make ready")
    stand.scene(state="ready")
    tablet.page.locator('.steps li[data-how="next"]', has_text="Test").wait_for()
    stand.scene(state="loaded")
    tablet.page.locator(".steps").wait_for(state="hidden")


def test_a_test_is_of_the_truck_that_was_acknowledged(stand: Any, tablets: Any) -> None:
    stand.scene(state="ready", acknowledged=True, vehicle="Invented truck")
    tablet = tablets(stand.address).open("tests")
    tablet.take_helm()
    expect(tablet.page.locator("#plan-vehicle")).to_have_value("Invented truck")
    tablet.page.fill("#plan-vehicle", "Another truck")
    tablet.see("On the rolls stands Invented truck")
    tablet.press_in_vain("Start the test")
    assert "test/start" not in stand.posts()
    tablet.page.fill("#plan-vehicle", "Invented truck")
    tablet.press_and_hold("Start the test")
    tablet.page.wait_for_selector('.guide[data-state="loaded"]')


def test_making_ready_needs_a_held_thumb(stand: Any, tablets: Any) -> None:
    stand.scene(acknowledged=True)
    tablet = tablets(stand.address).open()
    tablet.take_helm()
    tablet.press_briefly("Make ready")
    assert "ready" not in stand.posts()
    tablet.press_and_hold("Make ready")
    tablet.button("Start a test").wait_for()


def test_a_held_key_confirms_too(stand: Any, tablets: Any) -> None:
    stand.scene(acknowledged=True)
    tablet = tablets(stand.address).open()
    tablet.take_helm()
    tablet.button("Make ready").focus()
    tablet.button("Make ready").evaluate(
        "(button) => ['keydown', 'keyup'].forEach((kind) => button.dispatchEvent("
        "new KeyboardEvent(kind, { key: 'Enter', bubbles: true, cancelable: true })))"
    )
    assert "ready" not in stand.posts()
    tablet.page.keyboard.down("Space")
    tablet.until("the key to be held long enough", lambda: "ready" in stand.posts())
    tablet.page.keyboard.up("Space")
    tablet.button("Start a test").wait_for()


def test_assistive_technology_confirms_by_activating_twice(stand: Any, tablets: Any) -> None:
    stand.scene(acknowledged=True)
    tablet = tablets(stand.address).open()
    tablet.take_helm()
    tablet.button("Make ready").evaluate("(button) => button.click()")
    assert "ready" not in stand.posts()
    tablet.see("activate again to confirm")
    tablet.button("Make ready").evaluate("(button) => button.click()")
    tablet.button("Start a test").wait_for()


def test_a_hold_is_planned_started_adjusted_and_eased_off(stand: Any, tablets: Any) -> None:
    stand.scene(state="ready", acknowledged=True)
    tablet = tablets(stand.address).open()
    tablet.take_helm()
    tablet.button("Start a test").click()
    tablet.page.fill("#plan-rpm", "2000")
    tablet.page.fill("#plan-minutes", "0")
    tablet.see("Time: between 0.0 and 120 min.")
    tablet.press_in_vain("Start the test")
    assert "test/start" not in stand.posts()
    tablet.page.fill("#plan-minutes", "2.5")
    tablet.press_and_hold("Start the test")
    tablet.page.wait_for_selector('.guide[data-state="loaded"]')
    expect(tablet.page.locator(".compare b").first).to_have_text("2000")
    tablet.button("Raise the set point by 10 rpm").click()
    tablet.wait("document.querySelector('.compare b').textContent === '2010'")
    tablet.button("Ease off").click()  # one tap, no question
    tablet.page.wait_for_selector('.guide[data-state="easing"]')
    assert not tablet.complaints


def test_anybody_may_ease_off_even_over_an_open_sheet(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    tablet.button("Settings").click()
    tablet.button("Ease off").click()
    tablet.wait("drumlin.store.telemetry.state === 'easing'")
    assert "ease-off" in stand.posts()


def test_a_failed_ease_off_points_to_the_hardwired_stop(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    tablet.page.route("**/api/ease-off", lambda route: route.abort())
    tablet.button("Ease off").click()
    tablet.see("Use the hardwired stop.")


def test_a_trip_says_its_first_cause_and_is_reset_by_holding(stand: Any, tablets: Any) -> None:
    stand.scene(**STOPPED)
    tablet = tablets(stand.address).open()
    tablet.see("The stop chain is open.")
    tablet.see("Find who opened it and why, close it, then reset.")
    tablet.take_helm()
    tablet.press_briefly("Reset the trip")
    tablet.page.wait_for_timeout(200)
    assert "reset" not in stand.posts()
    tablet.press_and_hold("Reset the trip")
    tablet.page.wait_for_selector('.guide[data-state="parked"]')


ENDED = {
    "run_id": "20261125-084000-mad0",
    "kind": "steady-hold",
    "code": "completed",
    "text": "The test is complete.",
    "remedy": "",
    "time_s": 1.0,
}


def test_a_test_that_was_ended_early_says_why_and_what_to_do(stand: Any, tablets: Any) -> None:
    early = {
        **ENDED,
        "code": "helm-lapsed",
        "text": "Nobody keeps the helm any more.",
        "remedy": "Take the helm again.",
    }
    stand.scene(state="ready", acknowledged=True, last_end=early)
    tablet = tablets(stand.address).open()
    tablet.see("ended early")
    tablet.see("Nobody keeps the helm any more.")
    tablet.see("Take the helm again.")
    stand.scene(state="loaded")  # the next test
    tablet.page.wait_for_selector(".last-test", state="hidden")


def test_a_completed_test_shows_its_result_and_the_ways_on(stand: Any, tablets: Any) -> None:
    stand.scene(state="ready", acknowledged=True, runs=3, last_end=ENDED)
    tablet = tablets(stand.address).open()
    tablet.page.wait_for_selector(".last-test .answer-main")
    tablet.page.wait_for_selector(".last-test .curve canvas")
    for name in ("Look at the run", "Repeat", "Print"):
        tablet.page.get_by_role("link", name=name).wait_for()
    tablet.button("Discard …").click()
    tablet.page.get_by_label("Why it does not count").fill("A strap slipped.")
    tablet.page.locator(".last-test .add-line button").click()
    tablet.page.wait_for_selector(".last-test", state="hidden")
    run = f"runs/{ENDED['run_id']}"
    assert {f"{run}/notes", f"{run}/tags"} <= set(stand.posts())
    assert not tablet.complaints


def test_a_refusal_is_shown_with_what_to_do(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open()
    stand.scene(holder="demo:somebody", name="Somebody", helm_until=1e9)
    tablet.page.evaluate(
        "import('./js/api.js').then(async (api) => (await import('./js/components/notes.js'))"
        ".noteAnswer(await api.post('/api/helm/take')))"
    )
    tablet.see("Somebody has the helm.")
    tablet.see("Ask for it, or wait until it is released.")


def test_who_may_only_watch_is_offered_no_helm_but_may_ease_off(stand: Any, tablets: Any) -> None:
    stand.scene(role="watch")
    tablet = tablets(stand.address).open()
    tablet.wait("drumlin.store.role === 'watch'")
    tablet.page.wait_for_timeout(300)
    assert not tablet.button("Take the helm").is_visible()
    assert tablet.button("Ease off").is_visible()
