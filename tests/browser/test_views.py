"""Plans, driver, results, comparison, heat and calibration: the page before a made-up rig."""

from __future__ import annotations

import re
from typing import Any

import msgspec
import pytest
from playwright.sync_api import expect

from control.test_kinds.kinds import KINDS, check_plan
from control.test_kinds.plans import Plan
from daq.quantities import UnitSystem
from daq.rig.description import load_rig
from daq.texts.catalogue import catalogue
from daq.texts.message import Text, render, say, sentences
from daq.texts.published import published
from tests.browser.conftest import ROOT, SIZES
from tests.browser.test_page_shape import TRIPPED
from tests.catalogues import places

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

RIG = load_rig(ROOT / "rigs" / "tarnhow.toml")
RUN = "20261125-084000-mad0"
OVER = "overlay/20261125-084000-mad0,20261125-083700-mad1,20261125-083400-mad2"


@pytest.mark.parametrize("locale", ["en-GB", "en-US", "de-DE"])
def test_every_kind_of_test_starts_out_as_a_plan_the_rig_accepts(
    stand: Any, tablets: Any, locale: str
) -> None:
    """In metric and US units; what the page sends is decoded and checked as the rig does it."""
    tablet = tablets(stand.address, locale=locale).open("tests")
    expect(tablet.page.locator(".kind")).to_have_count(len(KINDS))
    plans = tablet.page.evaluate(
        """import('./js/kinds/index.js').then(({ KINDS, makePlan, written }) =>
          Object.keys(KINDS).map((kind) => makePlan(kind, written(kind))))"""
    )
    for made in plans:
        assert made["problem"] is None
        check_plan(msgspec.convert(made["plan"], Plan), RIG, None, engine_speed=True)
    assert {made["plan"]["kind"] for made in plans} == set(KINDS)


def test_a_plan_in_us_units_is_the_same_plan_in_si(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address, locale="en-US").open()
    plan = tablet.page.evaluate(
        """import('./js/kinds/index.js').then(({ makePlan, written }) => makePlan('grade-climb',
          { ...written('grade-climb'), a: '100', b: '1', c: '0.01', mass: '10000', target: '60',
            distance: '11', grade: '6' }).plan)"""
    )
    # pound-force 4.4482216152605 N, mile 1609.344 m, pound 0.45359237 kg: NIST SP 811, B.8
    assert plan["vehicle"]["a_n"] == pytest.approx(444.82216152605)
    assert plan["vehicle"]["b_n_per_mps"] == pytest.approx(4.4482216152605 / 0.44704)
    assert plan["vehicle"]["c_n_per_mps2"] == pytest.approx(0.044482216152605 / 0.44704**2)
    assert plan["vehicle"]["mass_kg"] == pytest.approx(4535.9237)
    assert plan["target_mps"] == pytest.approx(60 * 0.44704)
    assert plan["distance_m"] == pytest.approx(11 * 1609.344)


def told(tablet: Any, texts: list[Text]) -> list[str]:
    """Sentences as the page shows them that gets them in an answer."""
    shown: list[str] = tablet.page.evaluate(
        "(answer) => import('./js/messages.js').then(({ toldAll }) => toldAll(answer, 'texts'))",
        published({"texts": texts}),
    )
    return [text.replace("\u00a0", " ") for text in shown]


def test_every_instruction_to_the_driver_is_known_in_german(stand: Any, tablets: Any) -> None:
    sent: list[Text] = [
        say(
            text.code,
            **dict.fromkeys(places(catalogue("en").messages[text.code]), 12.0),
        )
        for kind in KINDS.values()
        for _, text in kind.describe.phases
    ]
    tablet = tablets(stand.address, locale="de-DE").open()
    shown = told(tablet, sent)
    assert [text for text, seen in zip(sent, shown, strict=True) if str(text) == seen] == []
    assert "Jetzt Vollgas, und stehen lassen." in shown
    phases = {name.replace(" ", "-") for k in KINDS.values() for name, _ in k.describe.phases}
    english = catalogue("en").page
    assert {f"phase.{name}" for name in phases} <= set(english)


SENTENCES: list[Text] = [
    say("force-is-beyond-rig", force_n=12345.0, most_n=12000.0),
    say("speed-is-beyond-rig", speed_mps=40.0, fastest_mps=33.3),
    say("rig-is-not", state="easing", wanted="ready"),
    say(
        "cause-is-still-there",
        cause=say("with-detail", text=say("fault.stop-chain-open"), detail="front"),
    ),
    say("test-is-of-another-vehicle", vehicle="no vehicle", on_rolls="Blue truck"),
    say("no-zero-has-been-taken-for", absorbers=["front-left", "rear-right"]),
    say("less-power-lasts", power_w=180e3),
    sentences([say("fault.rotor-warm"), say("fault.rotor-warm.remedy")]),
    say("plan-begins-otherwise", what="oil", now_k=368.15, side="below", limit_k=363.15),
    say("torque-has-faded", absorber="rear", lost=0.123, days=400.0),
    say("meters-zero-moved-by-points", shift=1.26),
    say("gained", answer=say("relative-change", change=0.019, low=-0.007, high=0.031, level=0.95)),
    say("asked-map", points_mps=[20.0, 26.8224]),
    say(
        "asked-hold", aim=say("asked-force", force_n=2000.0), time=say("time-minutes", minutes=2.5)
    ),
    say(
        "correction-not-quoted",
        reasons=[say("outside-its-rule"), say("test-was-ended-before-was-complete")],
    ),
    "A sentence of an older recording: it stays.",
]


@pytest.mark.parametrize(
    ("locale", "language", "units"),
    [
        ("de-DE", "de", UnitSystem.METRIC),
        ("en-US", "en", UnitSystem.US),
        ("en-GB", "en", UnitSystem.METRIC),
    ],
)
def test_the_page_tells_what_the_command_line_tells(
    stand: Any, tablets: Any, locale: str, language: str, units: UnitSystem
) -> None:
    tablet = tablets(stand.address, locale=locale).open()
    wanted = [render(text, units, language) for text in SENTENCES]
    # the page groups digits from five on, the command line always
    alike = [re.sub(r"(?<![\d.,])(\d)[.,](?=\d{3}\b)", r"\1", text).lower() for text in wanted]
    assert [text.lower() for text in told(tablet, SENTENCES)] == alike


def test_what_the_rig_says_is_told_in_the_readers_language_and_units(
    stand: Any, tablets: Any
) -> None:
    german = told(tablets(stand.address, locale="de-DE").open(), SENTENCES)
    assert german[:9] == [
        "12.345 N liegen jenseits der 12.000 N des Prüfstands.",
        "144,0 km/h liegen jenseits der 119,9 km/h des Prüfstands (2 % bleiben frei).",
        "Der Prüfstand ist beim Entlasten, nicht bereit.",
        "Die Ursache ist noch da: Die Haltekette ist offen. (vorn)",
        "Die Prüfung gilt „keinem Fahrzeug“, bestätigt auf den Rollen wurde aber „Blue truck“.",
        "Für vorn links, hinten rechts ist noch keine Null genommen.",
        "Mit höchstens 180,0 kW geht es bis zum Ende.",
        "Ein Rotor ist heiß. Eine Pause einplanen; mehr Last wird nicht gegeben.",
        "Öl ist bei 95 °C; der Plan beginnt unter 90 °C.",
    ]
    # pound-force 4.4482216152605 N, horsepower 745.6998715822702 W: NIST SP 811, B.8
    american = told(tablets(stand.address, locale="en-US").open(), SENTENCES)
    assert american[0] == "2775 lbf is beyond the rig's 2698 lbf."
    assert american[1] == "89.5 mph is beyond the rig's 74.5 mph (2 % kept free)."
    assert american[6] == "With at most 241.4 hp it can be run to the end."
    assert american[8] == "The oil is at 203 °F; the plan begins below 194 °F."


def test_a_rehearsal_tells_what_will_happen_before_the_start(stand: Any, tablets: Any) -> None:
    stand.scene(state="ready", acknowledged=True)
    tablet = tablets(stand.address).open("tests")
    tablet.button("Rehearse").click()
    tablet.see("Say what this truck gives at full pedal")
    tablet.page.fill("#plan-expected-power", "200")
    tablet.button("Rehearse").click()
    tablet.see("The rig can run this by heat")
    expect(tablet.page.locator(".rehearsal-figures")).to_contain_text("3:00")
    tablet.page.fill("#plan-minutes", "20")  # another plan: the answer is gone
    expect(tablet.page.locator(".rehearsal-says")).to_have_count(0)
    tablet.button("Rehearse").click()
    tablet.see("Front left limits after 2:10.")
    tablet.see("Stop after 2:10.")


def test_a_test_starts_only_with_helm_and_ready(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("tests/coastdown")
    tablet.see("To start, take the helm.")
    tablet.press_in_vain("Start the test")
    assert "test/start" not in stand.posts()
    stand.scene(state="ready", acknowledged=True)
    tablet.take_helm()
    tablet.press_and_hold("Start the test")
    tablet.page.wait_for_selector('.guide[data-state="loaded"]')
    assert "test/start" in stand.posts()


def test_a_start_that_heat_takes_long_to_judge_leads_to_the_rolls_all_the_same(
    stand: Any, tablets: Any
) -> None:
    """The rig's computer answers within five seconds (api.http.starting)."""
    stand.scene(state="ready", acknowledged=True, start_takes_s=5.0)
    tablet = tablets(stand.address).open("tests/coastdown")
    tablet.take_helm()
    tablet.press_and_hold("Start the test")
    tablet.page.wait_for_selector('.guide[data-state="loaded"]')


def test_a_climb_needs_the_name_of_its_truck(stand: Any, tablets: Any) -> None:
    stand.scene(state="ready", acknowledged=True)
    tablet = tablets(stand.address).open("tests/grade-climb")
    tablet.take_helm()
    tablet.see("Say whose road load this is")
    tablet.press_in_vain("Start the test")
    assert "test/start" not in stand.posts()
    tablet.page.fill("#plan-vehicle", "Invented pickup")
    tablet.press_and_hold("Start the test")
    tablet.page.wait_for_selector('.guide[data-state="loaded"]')


PASS = "distance_km,elevation_m\n" + "\n".join(f"{n / 2},{200 + 22 * n}" for n in range(12))


def test_a_climb_takes_its_road_from_a_file_and_shows_its_profile(stand: Any, tablets: Any) -> None:
    stand.scene(state="ready", acknowledged=True)
    tablet = tablets(stand.address).open("tests/grade-climb")
    tablet.page.get_by_text("route from a file").click()
    tablet.see("Choose a route file.")
    expect(tablet.page.locator("#plan-grade")).to_be_hidden()

    def choose(name: str, text: str) -> None:
        file = {"name": name, "mimeType": "text/csv", "buffer": text.encode()}
        tablet.page.set_input_files("#plan-route", file)

    choose("cliff.csv", "distance_m,grade_percent\n0,2\n400,80\n")
    tablet.see("cliff.csv: a grade of 80 % at 400 m cannot be a road.")
    tablet.see("Roads stay within 35 %")
    choose("holes.csv", "distance_m,elevation_m\n0,1\n100,\n")
    tablet.see("holes.csv: line 3 has a gap or is not numbers.")
    assert tablet.page.locator(".route-profile").is_hidden()
    choose("pass.csv", PASS)
    tablet.see("5.50 km · up 242 m · down 0 m · steepest 4.4 % up")
    line = tablet.page.locator(".route-profile .hill-line")
    expect(line).to_have_attribute("d", re.compile("^M0"))
    expect(tablet.page.locator(".route-wrong")).to_have_text("")
    plan = tablet.page.evaluate(
        "import('./js/kinds/index.js').then(({ makePlan, written }) =>"
        " makePlan('grade-climb', written('grade-climb')).plan)"
    )
    assert "distance_m" not in plan  # the whole route
    assert plan["grade"]["by_distance"][-1] == [5500, pytest.approx(4.4, abs=0.05)]
    check_plan(msgspec.convert(plan, Plan), RIG, None, engine_speed=True)
    tablet.page.get_by_text("one grade").click()
    tablet.page.get_by_text("route from a file").click()
    tablet.see("pass.csv")  # still there


def test_the_hill_of_a_route_is_drawn_about_the_truck(modules: Any) -> None:
    """Driven and coming meet at the truck, and both lie on the route."""
    drawn = modules(
        "Promise.all([import('./js/components/hill.js'), import('./js/components/route-field.js')])"
        ".then(([{ Hill }, { heights }]) => { const hill = new Hill();"
        " const road = heights([[0, 0], [4000, 8], [8000, -8]]);"
        " hill.draw([], 0, 8000, road, 4000);"
        " return [road, hill.line, hill.ahead, hill.truck].map((one) =>"
        " one.getAttribute ? one.getAttribute('d') : one); })"
    )
    road, driven, coming, truck = drawn
    assert road == [[0, 0], [4000, 160], [8000, 160]]
    assert driven.startswith("M0.0 ")  # 3250 m: a quarter of 3 km lies behind
    assert coming.startswith(truck[: truck.index("h")])
    assert driven.endswith(truck[1 : truck.index("h")])
    assert truck.startswith("M100.0 ")
    assert "L400.0 " in coming


def test_a_coil_stands_beside_its_rotor_measured_or_estimated(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open("heat")
    tablet.page.locator(".rotor-card").nth(3).wait_for()
    tablet.settle()
    coils = tablet.page.locator(".coil p").all_text_contents()
    assert [text.replace("\u00a0", " ").split("±")[0] for text in coils[:1]] == ["coil75 °C "]
    assert "by its voltage" in coils[0]
    assert "estimated" in coils[1]
    width = tablet.page.locator(".coil .rotor-track i").first.evaluate("(bar) => bar.style.width")
    assert 20.0 < float(width.rstrip("%")) < 60.0  # 348 K between 293 K and the limit of 448 K


def test_the_air_beside_the_rig_tells_the_correction_it_gives_now(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("rig")
    air = tablet.page.locator(".air")
    air.get_by_text("98.6").wait_for()
    tablet.page.locator("#air-rule").select_option("iso-1585-spark")
    tablet.wait("document.querySelector('.air-factor').textContent !== '× 1.0000'")
    factor = float(tablet.page.locator(".air-factor").text_content().removeprefix("× "))
    # (99 kPa / dry pressure)^1.2 (T / 298 K)^0.6, from memory; saturation at 21.25 degC is
    # 2.53 kPa (40 CFR 1065.645)
    expected = (99.0 / (98.6 - 0.46 * 2.53)) ** 1.2 * (294.4 / 298.0) ** 0.6
    assert factor == pytest.approx(expected, abs=2e-3)
    assert "46.0 %" in air.text_content().replace("\u00a0", " ")


def inked(tablet: Any, canvas: str) -> int:
    """How many pixels of a canvas carry ink."""
    count: int = tablet.page.evaluate(
        """(which) => { const c = document.querySelector(which);
          const { data } = c.getContext('2d').getImageData(0, 0, c.width, c.height);
          let n = 0; for (let i = 3; i < data.length; i += 4) n += data[i] > 0; return n; }""",
        canvas,
    )
    return count


def test_the_driver_sees_the_road_ahead_of_a_trace(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True, kind="speed-trace")
    tablet = tablets(stand.address).open("driver")
    tablet.see("Keep inside the band.")
    tablet.until("the road", lambda: inked(tablet, "canvas.road") > 20_000)
    tablet.settle()
    advice = tablet.page.locator(".driver-advice").text_content()
    assert re.search("steady|the rig brings it back|pedal", advice)
    low = tablet.page.evaluate(
        "parseFloat(getComputedStyle(document.querySelector('.driver-figure')).fontSize)"
    )
    assert low >= 100, "readable at three metres"


def test_eight_readings_run_as_strips_of_ones_choice(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open("strips")
    tablet.wait("document.querySelectorAll('canvas.strip').length === 8")
    tablet.wait("[...drumlin.store.followed.values()].every(({ ring }) => ring.count > 5)")
    tablet.settle()
    tablet.until("a strip", lambda: inked(tablet, "canvas.strip") > 300)
    shown = tablet.page.locator(".strip-head b").all_text_contents()
    assert all(re.match(r"−?[\d,.]+$", text) for text in shown), shown
    tablet.page.locator(".strip-head select").first.select_option("slow/boost")
    tablet.page.reload()
    tablet.wait("document.querySelector('.strip-head select')?.value === 'slow/boost'")
    expect(tablet.page.locator(".strip-head select").nth(1)).to_have_value("set/front/power")
    tablet.open("rolls")
    tablet.wait("drumlin.store.followed.size === 0")  # no history for what nobody looks at


def test_the_band_is_that_of_the_highest_and_lowest_target_within_a_second(modules: Any) -> None:
    """40 CFR 1066.425: limits follow the trace within 1 s, here of +-0.9 m/s."""
    band = modules(
        "import('./js/components/road.js').then(({ bandOf }) =>"
        " bandOf([[0, 10], [0.5, 10], [1, 12], [3, 12]], 0.9))"
    )
    assert band[0] == [0, pytest.approx(9.1), 10, pytest.approx(12.9)]
    assert band[3] == [3, pytest.approx(11.1), 12, pytest.approx(12.9)]


def test_the_driver_sees_grade_and_way_of_a_climb(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True, kind="grade-climb")
    tablet = tablets(stand.address).open("driver")
    tablet.see("Hold 65 km/h")
    words = tablet.page.locator(".driver-climb")
    expect(words).to_contain_text(re.compile(r"Grade\d\.\d\s%"))
    # the route is known, from the stored plan
    expect(words).to_contain_text(re.compile(r"In 200.m(▲ |▼ )?\d\.\d\s%"))
    expect(tablet.page.locator(".hill-line")).to_have_attribute("d", re.compile("M"))
    fill = "line => getComputedStyle(line).fill"
    assert tablet.page.locator(".hill-ahead").evaluate(fill) == "none", "a line and no area"


@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
def test_the_driver_never_has_to_scroll(stand: Any, tablets: Any, locale: str) -> None:
    modes = {
        "steady-hold": "held", "power-sweep": "held",
        "speed-trace": "trace", "grade-climb": "climb",
    }  # fmt: skip
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address, locale=locale).open("driver")
    for kind, mode in modes.items():
        stand.scene(kind=kind)
        tablet.page.wait_for_selector(f'.driver[data-mode="{mode}"]')
        tablet.wait(f"drumlin.store.telemetry.test.kind === '{kind}'")
        for size in SIZES:
            tablet.turn(size)
            tablet.settle()
            hidden = "(main) => main.scrollHeight - main.clientHeight"
            assert tablet.page.locator("#main").evaluate(hidden) == 0, f"{kind}, {size}"


def test_the_next_phase_is_announced_and_a_floored_pedal_is_urgent(
    stand: Any, tablets: Any
) -> None:
    stand.scene(state="loaded", acknowledged=True, kind="power-sweep")
    tablet = tablets(stand.address).open("driver")
    tablet.see("Floor it now, and stay on the floor.")
    tablet.see("Then: Stay on the floor until 3000 rpm.")
    expect(tablet.page.locator('.driver[data-urgent="yes"]')).to_have_count(1)


def test_a_trip_and_a_refusal_stand_on_every_page_with_cause_and_next_step(
    stand: Any, tablets: Any
) -> None:
    tablet = tablets(stand.address).open("runs")
    page = tablet.page
    cause = page.locator(".cause")
    for view in ("runs", "tests", "heat", "people", f"runs/{RUN}"):
        stand.scene(state="ready", acknowledged=True, faults=[])
        tablet.open(view)
        page.wait_for_selector('.state-mark[data-state="ready"]')
        expect(cause).to_be_hidden()
        stand.scene(**TRIPPED)
        page.wait_for_selector('.state-mark[data-state="tripped"]')
        expect(page.locator(".state-mark")).to_have_text("Tripped")
        expect(cause).to_contain_text("The stop chain is open.")
        expect(cause).to_contain_text("close it, then reset")
    stand.scene(state="parked", cause="")
    page.wait_for_selector('.cause[data-state="parked"]')
    expect(cause).to_contain_text("The stop chain is open.")
    cause.click()
    page.wait_for_selector(".guide")
    expect(cause).to_be_hidden()  # the rolls say it large
    expect(page.locator(".guide")).to_contain_text("The stop chain is open.")


def test_files_come_in_the_units_and_rows_that_are_chosen(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address, locale="en-US").open(f"runs/{RUN}")
    page = tablet.page
    page.get_by_text("Files").click()
    link = page.get_by_role("link", name="CSV")
    expect(link).to_have_attribute("href", re.compile(r"/export\?form=csv&units=us$"))
    page.get_by_label("Units").select_option("si")
    page.get_by_label("Rows").select_option("50")
    expect(link).to_have_attribute("href", re.compile(r"/export\?form=csv&units=si&hz=50$"))
    curves = page.get_by_role("link", name="CURVES")
    expect(curves).to_have_attribute("href", re.compile(r"/export\?form=curves&units=si$"))


def test_a_running_sweep_draws_power_and_torque_over_engine_speed_before_an_earlier_run(
    stand: Any, tablets: Any
) -> None:
    tablet = tablets(stand.address).open()
    stand.scene(state="loaded", acknowledged=True, kind="power-sweep", sweeping=True)
    page = tablet.page
    page.wait_for_selector(".live-curve canvas")
    says = "document.querySelector('.curve-peak').innerText"
    tablet.wait(f"/Highest so far \\d+\\.\\d\\skW at \\d+\\srpm/.test({says})")
    tablet.wait(f"/The run behind it: \\d+/.test({says})")
    page.locator(".curve-legend select").select_option("")
    tablet.wait(f"!{says}.includes('behind it')")
    tablet.wait(  # axes, scales and two lines
        "(() => { const c = document.querySelector('.live-curve canvas');"
        " const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
        " let n = 0; for (let i = 3; i < d.length; i += 4) n += d[i] > 0; return n > 2000; })()"
    )
    beside = page.locator(".target-beside")
    expect(beside).to_contain_text(re.compile(r"\d+\sN·m · \d+\.\d\skm/h"))


def test_what_happened_in_a_test_stands_under_its_chart_and_stays_in_the_run(
    stand: Any, tablets: Any
) -> None:
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    live = tablet.page.locator(".live-timeline li")
    live.last.wait_for()
    assert live.last.inner_text().split("\n") == ["0:31", "Tyres slip on the rolls."]
    shown = [one for one in live.all() if one.is_visible()]
    assert len(shown) == 1, "a tablet shows the newest"
    tablet.open(f"runs/{RUN}")
    stored = tablet.page.locator(".run-page .timeline li")
    stored.last.wait_for()
    told = [one.split("\n") for one in stored.all_inner_texts()]
    assert told[:2] == [["0:00", "The test began"], ["0:00", "Set point: 1900\u00a0rpm."]]
    assert ["0:04", "Holding"] in told
    wide = tablets(stand.address, size=(1920, 1080)).open()
    wide.page.locator(".live-timeline li").last.wait_for()
    assert sum(one.is_visible() for one in wide.page.locator(".live-timeline li").all()) == 4


def test_every_page_says_whether_the_heat_lasts_for_the_test(stand: Any, tablets: Any) -> None:
    stand.scene(state="loaded", acknowledged=True, test_seconds=240.0)
    tablet = tablets(stand.address).open()
    chip, card = tablet.page.locator(".chip"), tablet.page.locator(".card.heat")
    for view in ("runs", "people", "rolls"):
        tablet.open(view)
        expect(chip).to_contain_text("enough for this test")
    expect(chip).to_have_attribute("data-level", "calm")
    tablet.settle()
    told = card.inner_text()
    assert "Enough for this test" in told
    assert re.search(r"At least \d+(\.\d)? min to spare", told)
    stand.scene(test_seconds=5000.0)
    tablet.wait("document.querySelector('.chip b').textContent === 'not enough'")
    expect(chip).to_have_attribute("data-level", "last")
    expect(card).to_contain_text(
        re.compile(r"1\d–1\d\smin at this power \(95\s%\), \d\d\smin to go")
    )
    stand.scene(silent=True)
    tablet.page.wait_for_selector("body.stale")
    tablet.wait("document.querySelector('.chip b').textContent === '–'")


def test_a_limit_that_may_never_come_but_may_in_half_an_hour_is_told_by_its_least(
    modules: Any,
) -> None:
    views = (
        "[{name: 'a', rotor_k: 500, headroom_s: null, headroom_low_s: 1800, headroom_high_s: null},"
        " {name: 'b', rotor_k: 500, headroom_s: 2400, headroom_low_s: 2000, headroom_high_s: 2900},"
        " {name: 'c', rotor_k: 500, headroom_s: null, headroom_low_s: null, headroom_high_s: null}]"
    )
    told = modules(
        "import('./js/components/headroom.js').then((page) =>"
        f" {{ const views = {views}; const first = page.tightest(views);"
        " return [first.name, page.intervalMinutes(first), ...views.map(page.headroomKind)]; })"
    )
    assert told == ["a", "≥ 30", "known", "known", "never"]


def test_the_rig_promises_no_more_than_its_least_known_absorber(modules: Any) -> None:
    views = (
        "[{name: 'sure', headroom_s: 402, headroom_low_s: 360, headroom_high_s: 450},"
        " {name: 'vague', headroom_s: 460, headroom_low_s: 210, headroom_high_s: null}]"
    )
    told = modules(
        "import('./js/components/headroom.js').then((page) =>"
        f" {{ const first = page.tightest({views});"
        " return [first.name, page.intervalMinutes(first)]; })"
    )
    assert told == ["sure", "3.5–7.5"]


def test_a_run_opens_with_its_answer_then_curves_with_bands_and_flags(
    stand: Any, tablets: Any
) -> None:
    tablet = tablets(stand.address).open(f"runs/{RUN}")
    page = tablet.page
    main = page.locator(".answer-main")
    main.wait_for()
    said = re.compile(r"Highest wheel power\d+\.\d\skW\s?±\s\d\.\d\skW\s\(95\s%\)")
    expect(main).to_contain_text(said)
    expect(page.locator(".flags li")).to_have_count(2)
    page.locator(".curve canvas").nth(3).wait_for()
    tablet.settle()
    assert page.locator(".legend li").count() >= 4
    assert "least" not in page.locator(".curves").text_content()
    assert (
        page.get_by_role("link", name="PDF")
        .get_attribute("href")
        .endswith("form=pdf&units=metric&language=en")
    )
    top = page.evaluate("document.querySelector('.answer').getBoundingClientRect().top")
    assert top < page.evaluate("document.querySelector('.curves').getBoundingClientRect().top")
    assert not tablet.complaints


def test_a_void_run_says_so_before_anything_else(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("runs/20261125-083700-mad1")
    tablet.see("Does not count")


def test_the_list_of_runs_tells_answer_verdict_and_why_each_ended(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("runs")
    lines = tablet.page.locator(".run-line")
    lines.nth(2).wait_for()
    assert "stored, valid" in lines.nth(0).inner_text()
    assert "Greatest wheel power 241.3" in lines.nth(0).inner_text()
    assert "stored, void" in lines.nth(1).inner_text()
    assert "eased off by heat" in lines.nth(1).inner_text()
    assert "interrupted" in lines.nth(2).inner_text()


def test_runs_are_found_by_words_kind_and_tag(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("runs")
    lines = tablet.page.locator(".run-line")
    lines.nth(2).wait_for()
    tablet.page.fill("#runs-q", "exhaust")
    tablet.wait("document.querySelectorAll('.run-line').length === 1")
    tablet.page.fill("#runs-q", "")
    tablet.page.fill("#runs-tag", "check")
    tablet.wait("document.querySelectorAll('.run-line').length === 1")
    tablet.page.fill("#runs-tag", "nothing like it")
    tablet.see("No run fits this search.")


def test_runs_lie_over_each_other_and_a_gain_is_told_with_its_interval(
    stand: Any, tablets: Any
) -> None:
    stand.scene(runs=5)
    ids = [f"20261125-08{40 - 3 * n:02d}00-mad{n}" for n in (0, 1, 3, 4)]
    tablet = tablets(stand.address).open(f"overlay/{','.join(ids)}")
    tablet.see("+1.9 % (+0.7 to +3.1 %, 95 % interval)")
    expect(tablet.page.locator(".gain-card")).to_have_attribute("data-verdict", "gained")
    tablet.page.locator(".sides-list select").first.select_option("only")
    tablet.see("For a gain, put 2 or more valid runs on each side.")


def test_a_curve_is_drawn_onto_other_places_without_inventing_any(modules: Any) -> None:
    drawn = modules(
        "import('./js/views/overlay.js').then(({ onto }) =>"
        " onto([0, 1, 1.5, 2, 3], { x: [1, 2], value: [10, 20] }, 'value'))"
    )
    assert drawn == [None, 10, 15, 20, None]


def test_what_is_due_is_said_with_figures_beside_their_limits(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("proving")
    tablet.see("21 of 23 verifications to do")
    tablet.see("The tooth wheel of front repeats its pattern after 60 teeth")
    text = tablet.page.locator(".prove-card", has_text="Largest drift").first.text_content()
    assert "Largest drift 1.40 N (limit 9.00 N)" in text.replace("\u00a0", " ")
    tablet.page.get_by_text("How it is done").nth(2).click()
    tablet.see("Nobody stands below weights")


def test_a_shunt_is_read_three_times_in_order_and_proven(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("proving")
    card = tablet.page.locator(".prove-card", has_text="Shunt")
    card.get_by_text("How it is done").click()
    read = [card.get_by_role("button", name=name, exact=True) for name in (
        "Read, shunt open", "Read, shunt closed", "Read, shunt open again")]  # fmt: skip
    assert [one.is_enabled() for one in read] == [True, False, False]
    card.get_by_role("button", name="Prove").click()
    tablet.see("Give both resistances in ohms")
    card.get_by_label("Shunt resistor, ohm").fill("100000")
    for one in read:
        one.click()
        one.locator("xpath=following-sibling::b", has_text=re.compile(r"\d\sN$")).wait_for()
    card.get_by_role("button", name="Prove").click()
    tablet.see("Passed and kept.")
    assert "proving/shunt" in stand.posts()


def test_check_runs_that_stray_are_named(stand: Any, tablets: Any) -> None:
    tablet = tablets(stand.address).open("consistency")
    tablet.see("Something has moved.")
    tablet.see("beyond the limits")


def test_twenty_minutes_of_messages_do_not_grow_the_page(stand: Any, tablets: Any) -> None:
    """Thirty thousand messages, as twenty minutes bring, through the store and the page's views."""
    stand.scene(state="loaded", acknowledged=True)
    tablet = tablets(stand.address).open()
    session = tablet.context.new_cdp_session(tablet.page)
    feed = """(from) => { const { store } = drumlin; const now = store.telemetry;
      for (let i = 0; i < 5000; i += 1) {
        const time = now.time_s + (from + i) / 25;
        const frame = { ...now.measured, time_s: time };
        store.take({ ...now, time_s: time, measured: frame }, store.generation); } }"""

    def heap_mb() -> float:
        session.send("HeapProfiler.collectGarbage")
        return float(session.send("Runtime.getHeapUsage")["usedSize"]) / 1e6

    stand.scene(silent=True)
    tablet.page.evaluate(feed, 0)
    tablet.page.wait_for_timeout(300)
    before = heap_mb()
    for block in range(1, 6):
        tablet.page.evaluate(feed, 5000 * block)
        tablet.page.wait_for_timeout(150)
    tablet.until("a heap that has not grown", lambda: heap_mb() - before < 2.0)
