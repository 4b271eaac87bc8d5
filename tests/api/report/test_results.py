"""Results of a real recording: kept evaluations, reports, exports, import, comparison, routes."""

from __future__ import annotations

import base64
import hashlib
import io
import math
import re
import shutil
import unicodedata
from collections.abc import Iterator
from html import escape, unescape
from pathlib import Path

import msgspec
import numpy as np
import pytest

from api.jobs.job import WorkError
from api.jobs.work import work
from api.report.content import RunDetails, Subject, content_of
from api.report.html import html_of
from api.report.jobs import ReportJob
from api.report.pdf import pdf_of
from api.report.render import render_gain
from api.services.comparing import compare, consistency, session_sigma
from api.store import vehicle_records
from api.store.catalogue import Catalogue, NewRun, Note, Search
from api.store.closing.evaluating import evaluate_folder, read_evaluation, write_evaluation
from api.store.closing.evaluations import numbered_evaluation
from api.store.importing import import_recording
from daq.errors import RecordingError, Refused
from daq.plain_text import COMMANDING
from daq.quantities import UnitSystem
from daq.results.result import EvaluationSettings, Result
from daq.results.words import asked_of
from daq.texts.reader import Reader
from tests.api.harness import Service
from tests.api.recorded import RUN_ID

BEFORE = ["20260101-000000-000a", "20260101-000000-000b", "20260101-000000-000c"]
AFTER = ["20260102-000000-000a", "20260102-000000-000b", "20260102-000000-000c"]


@pytest.fixture(scope="module")
def closed(closed_hold: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a recorded hold, closed as the service closes it."""
    return Path(shutil.copytree(closed_hold, tmp_path_factory.mktemp("closed") / RUN_ID))


@pytest.fixture
def catalogue(tmp_path: Path) -> Iterator[Catalogue]:
    opened = Catalogue.open(tmp_path)
    yield opened
    opened.close()


def new_run(run_id: str, **over: str) -> NewRun:
    given = {"rig_name": "r", "rig_fingerprint": "f", "kind": "steady-hold", "started_at": "x"}
    return NewRun(run_id, **{**given, **over})


def digest(folder: Path) -> str:
    return hashlib.sha256((folder / "raw.drm").read_bytes()).hexdigest()


def scaled(result: Result, factor: float) -> Result:
    """The same result as though the truck had been stronger."""
    figures = [
        msgspec.structs.replace(one, value=one.value * factor) if one.value is not None else one
        for one in result.figures
    ]
    return msgspec.structs.replace(result, figures=figures)


# --- evaluations ----------------------------------------------------------------------------------


def test_closing_keeps_the_first_evaluation_with_curves(closed: Path) -> None:
    result = read_evaluation(closed)
    assert result.kind == "steady-hold"
    assert "kW" in str(result.answer)
    assert result.curves
    assert result.made.rows > 1000


def test_evaluating_again_touches_neither_recording_nor_earlier_results(
    closed: Path, tmp_path: Path
) -> None:
    folder = tmp_path / RUN_ID
    shutil.copytree(closed, folder)
    raw, first = digest(folder), (folder / "evaluations" / "0001.json").read_bytes()
    parquet = (folder / "run.parquet").read_bytes()
    write_evaluation(folder, 2, evaluate_folder(folder, EvaluationSettings(settle_s=3.0)))
    assert digest(folder) == raw
    assert (folder / "evaluations" / "0001.json").read_bytes() == first
    assert (folder / "run.parquet").read_bytes() == parquet
    assert read_evaluation(folder).made.settings.settle_s == 3.0
    assert read_evaluation(folder, 1).made.settings.settle_s is None
    one, other = (
        read_evaluation(folder, 1).figure("settled"),
        read_evaluation(folder).figure("settled"),
    )
    assert one is not None
    assert other is not None
    assert (one.value or 0.0) - (other.value or 0.0) == pytest.approx(1.5, abs=0.05)


def test_another_rig_file_measures_the_run_again(closed: Path) -> None:
    """Cells said to be 2 % more sensitive read 2 % more absorber force."""
    from daq.rig.description import parse_rig
    from tests.api.fake_loop import RIG_FILE

    text = RIG_FILE.read_text(encoding="utf-8").replace("= 1500.0\ncapacity", "= 1530.0\ncapacity")
    other = evaluate_folder(closed, rig=parse_rig(text, "other"))
    plain = read_evaluation(closed)
    one, two = plain.figure("mean_power"), other.figure("mean_power")
    assert one is not None
    assert two is not None
    assert one.value is not None
    assert two.value is not None
    assert 1.014 < two.value / one.value < 1.0205  # losses and inertia stay
    assert other.made.rig_fingerprint != plain.made.rig_fingerprint


def test_the_interval_of_the_recorded_hold_is_that_of_a_good_rig(closed: Path) -> None:
    result = read_evaluation(closed)
    assert result.uncertainty is not None
    assert 0.0005 < result.uncertainty.half_width / result.uncertainty.value < 0.01


def test_an_evaluation_that_is_not_there_is_said(closed: Path, tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="number 7"):
        read_evaluation(closed, 7)
    with pytest.raises(RecordingError):
        read_evaluation(tmp_path)


# --- report ---------------------------------------------------------------------------------------


def about(**over: object) -> RunDetails:
    given: dict[str, object] = {"vehicle": "Pickup <7> & co", "owner": "Łukasz", "notes": ("n",)}
    return RunDetails(RUN_ID, **{**given, **over})  # type: ignore[arg-type]


def test_nothing_in_a_report_is_markup_or_commands_a_terminal(closed: Path) -> None:
    """Names and notes may come from anywhere; an HTML file is also looked at in a terminal."""
    evil = "<script>alert(1)</script>\x1b]0;owned\x07\x9b31m\u202e\x00"
    content = content_of(read_evaluation(closed), about())
    words = {
        name: evil for name in content.__struct_fields__ if isinstance(getattr(content, name), str)
    }
    panels = tuple(
        msgspec.structs.replace(each, names=(evil,) * len(each.curves)) for each in content.panels
    )
    page = html_of(
        msgspec.structs.replace(content, **words, panels=panels, figures=((evil, evil),))
    )
    assert "<script>" not in page
    assert COMMANDING.search(page) is None
    assert page.count("&lt;script&gt;") >= len(words)


def test_the_html_report_needs_nothing_else_and_says_everything(closed: Path) -> None:
    result = read_evaluation(closed)
    page = html_of(content_of(result, about()))
    assert not re.search(r"<script|<link|<img|url\(|@import|src=|href=", page)
    assert "Pickup &lt;7&gt; &amp; co" in page
    assert "<svg" in page
    for text in (
        result.asked,
        result.answer,
        *result.limits,
        *result.cautions,
        result.made.version,
    ):
        assert escape(str(text)) in page
    assert "boosted diesel" in page  # why nothing was corrected


def test_the_pdf_report_is_one_or_two_pages_with_the_answer_as_text(closed: Path) -> None:
    from pypdf import PdfReader

    result = read_evaluation(closed)
    reader = PdfReader(io.BytesIO(pdf_of(content_of(result, about()))))
    assert 1 <= len(reader.pages) <= 2
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))
    assert re.sub(r"\s+", " ", str(result.answer)) in text
    assert "Łukasz" in text
    assert "Limits of the method" in text
    assert "Cautions" in text


def pdf_text(body: bytes) -> str:
    from pypdf import PdfReader

    pages = PdfReader(io.BytesIO(body)).pages
    assert 1 <= len(pages) <= 2
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages))


ENGLISH_LEFT = re.compile(
    r"\b(the|of|is|are|and|with|from|not|mean|highest|time|speed|force|power|figures|flags|cautions|"
    r"none|run|asked|at|before|after|loss|slope|weather)\b",
    re.IGNORECASE,
)


def test_a_german_report_is_german_in_every_line(closed: Path) -> None:
    content = content_of(read_evaluation(closed), about(reader=Reader(language="de")))
    own = set(content.notes) | {row[0] for row in content.channels} | {content.subject}
    page = html_of(content).partition("<body>")[2]
    said = [unescape(part).strip() for part in re.split(r"<[^>]*>", page)]
    mixed = [part for part in said if part not in own and ENGLISH_LEFT.search(part)]
    assert not [part for part in mixed if part not in {content.rig, content.run}]
    assert re.search(r"Mittlere Radleistung \d+,\d ± \d,\d kW", content.answer)
    assert 'lang="de"' in html_of(content)
    assert "Anteil innerhalb 0,5 %" in dict(content.figures)
    text = pdf_text(pdf_of(content))
    assert "Warnhinweise" in text
    assert re.search(r"\b1 von \d\b", text)


@pytest.mark.parametrize("name", ["Грузовик 7", "Φορτηγό Δ", "Ťažký voz Đặng", "Cafe\u0301 d’été"])
def test_names_in_latin_greek_and_cyrillic_stand_in_the_pdf(closed: Path, name: str) -> None:
    content = content_of(read_evaluation(closed), about(vehicle=name, notes=(f"{name} came.",)))
    text = pdf_text(pdf_of(content))
    assert text.count(unicodedata.normalize("NFC", name)) == 2
    assert "\ufffd" not in text


def test_letters_no_typeface_has_are_marked_and_the_mark_is_explained(closed: Path) -> None:
    content = content_of(read_evaluation(closed), about(vehicle="Грузовик 卡车 \u0001"))
    text = pdf_text(pdf_of(content))
    assert "Грузовик \ufffd\ufffd \ufffd" in text
    assert "stands for letters" in text
    assert "卡车" in html_of(content)


def test_a_report_speaks_the_units_of_its_reader(closed: Path) -> None:
    """The figures are the same: 1 hp is 550 ft.lbf/s, 1 lbf 4.4482216152605 N."""
    plan = {"kind": "steady-hold", "seconds": 6.0, "speed_mps": 26.8224}  # 60 mph
    result = msgspec.structs.replace(read_evaluation(closed), asked=asked_of(plan))
    us = content_of(result, about(reader=Reader(UnitSystem.US)))
    metric = content_of(result, about())
    assert us.asked == "Asked: Hold 60.0 mph for 6 s."
    for content, unit, watt in ((us, "hp", 745.6998715822702), (metric, "kW", 1000.0)):
        found = re.search(rf"Mean wheel power ([\d.]+) ± [\d.]+ {unit}", content.answer)
        assert found is not None
        figure = result.figure("mean_power")
        assert figure is not None
        assert float(found[1]) == pytest.approx((figure.value or 0.0) / watt, abs=0.06)
    page = html_of(us)
    assert not re.search(r"\d (kW|N·m|km/h|°C|kPa|N)\b", page)
    assert "Wheel power, hp" in page
    assert "°F" in dict(us.conditions)["Air temperature"]
    assert "hp" in pdf_text(pdf_of(us))


def test_the_channels_of_the_rig_stand_beside_power_in_report_and_pdf(closed: Path) -> None:
    _, result = numbered_evaluation(closed)
    content = content_of(result, about(reader=Reader(UnitSystem.US)))
    table = {row[0]: row[1:] for row in content.channels}
    assert table["oil-temperature"][0].endswith("°F")
    assert table["boost"][0].endswith("psi")
    boost = next(one for one in result.channels if one.name == "boost")
    assert float(table["boost"][2].split()[0]) == pytest.approx(
        (boost.mean or 0.0) / 6894.757,
        abs=0.006,  # NIST SP 811, psi
    )
    titles = [panel.curves[0].label for panel in content.channel_panels]
    assert titles[0] == "wheel power"
    assert {"boost", "oil-temperature"} <= set(titles)
    assert sum("rotor" in title for title in titles) == 1, "the hottest one"
    assert "Slope per min" in html_of(content)
    text = pdf_text(pdf_of(content))
    assert "Channels" in text
    assert table["boost"][0] in text


def test_a_void_run_says_so_above_its_charts(closed: Path) -> None:
    void = msgspec.structs.replace(read_evaluation(closed), valid=False, void=["The rope broke."])
    page = html_of(content_of(void, about()))
    assert page.index("This run is void") < page.index("<svg")
    assert pdf_of(content_of(void, about())).startswith(b"%PDF")


async def test_a_report_is_made_in_a_process_of_its_own(closed: Path) -> None:
    body = await work(ReportJob(str(closed), "pdf", about()))
    assert body.startswith(b"%PDF")


async def test_a_worker_that_cannot_says_why(closed: Path, tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no report form"):
        await work(ReportJob(str(closed), "docx", about()))
    with pytest.raises(WorkError, match="no result yet"):
        await work(ReportJob(str(tmp_path), "pdf", about()))
    with pytest.raises(WorkError, match="longer than"):
        await work(ReportJob(str(closed), "pdf", about()), 0.001)


# --- catalogue ------------------------------------------------------------------------------------


def test_runs_are_found_by_owner_set_and_any_word(catalogue: Catalogue) -> None:
    for run_id, vehicle in ((BEFORE[0], "One"), (BEFORE[1], "Two"), (AFTER[0], "Two")):
        catalogue.begin_run(new_run(run_id, vehicle=vehicle))
    vehicle_records.put_vehicle(
        catalogue, vehicle_records.VehicleRecord("Two", "Ada", "six wheels", "now")
    )
    vehicle_records.put_set(
        catalogue, vehicle_records.RunSet("before", "", "now", (BEFORE[0], BEFORE[1]))
    )
    catalogue.add_note(BEFORE[0], Note("now", "me", "Strap_100% tight"))
    catalogue.set_tags(AFTER[0], ["Check"])

    def found(**search: str) -> list[str]:
        return [run.id for run in catalogue.find(Search(**search))]

    assert found(owner="Ada") == [AFTER[0], BEFORE[1]]
    assert found(set_name="before") == [BEFORE[1], BEFORE[0]]
    assert found(owner="Ada", set_name="before") == [BEFORE[1]]
    assert found(text="strap_100%") == [BEFORE[0]]
    assert found(text="CHECK") == [AFTER[0]]
    assert found(text="strapx100%") == []
    catalogue.set_vehicle(BEFORE[0], "Three")
    assert found(text="three") == [BEFORE[0]]
    assert found(text="one") == []


def test_vehicles_count_their_runs_and_can_be_forgotten(catalogue: Catalogue) -> None:
    catalogue.begin_run(new_run(BEFORE[0], vehicle="Two"))
    vehicle_records.put_vehicle(catalogue, vehicle_records.VehicleRecord("Two", "Ada", "", "now"))
    vehicle_records.put_vehicle(
        catalogue, vehicle_records.VehicleRecord("Two", "Bea", "x", "later")
    )
    assert vehicle_records.all_vehicles(catalogue) == [
        vehicle_records.VehicleRecord("Two", "Bea", "x", "now", 1)
    ]
    vehicle_records.drop_vehicle(catalogue, "Two")
    assert vehicle_records.all_vehicles(catalogue) == [
        vehicle_records.VehicleRecord("Two", "", "", "", 1)
    ]
    with pytest.raises(Refused):
        vehicle_records.drop_vehicle(catalogue, "Two")


def test_evaluations_are_numbered_and_the_newest_is_the_result(
    catalogue: Catalogue, closed: Path
) -> None:
    catalogue.begin_run(new_run(RUN_ID))
    told = vehicle_records.Evaluation(
        RUN_ID, 0, "now", "me", "1", {"level": 0.9}, "an answer", True
    )
    numbers = [vehicle_records.note_evaluation(catalogue, told, {"answer": n}) for n in ("a", "b")]
    assert numbers == [1, 2]
    assert [each.number for each in vehicle_records.evaluations_of(catalogue, RUN_ID)] == [1, 2]
    run = catalogue.run(RUN_ID)
    assert run is not None
    assert run.result == {"answer": "b"}


def test_a_recording_made_elsewhere_is_taken_in_once(
    catalogue: Catalogue, closed: Path, tmp_path: Path
) -> None:
    runs = tmp_path / "runs"
    taken = import_recording(runs, catalogue, closed / "raw.drm", "Visitor")
    assert taken.run_id == RUN_ID
    assert "kW" in str(taken.answer)
    run = catalogue.run(RUN_ID)
    assert run is not None
    assert (run.vehicle, run.state, run.tags) == ("Visitor", "closed", ("imported",))
    assert digest(runs / RUN_ID) == digest(closed)
    with pytest.raises(Refused, match="here already"):
        import_recording(runs, catalogue, closed / "raw.drm")


def test_a_file_that_is_no_recording_is_refused_and_leaves_nothing(
    catalogue: Catalogue, tmp_path: Path
) -> None:
    (tmp_path / "x.drm").write_bytes(b"not a recording at all" * 50)
    with pytest.raises(RecordingError):
        import_recording(tmp_path / "runs", catalogue, tmp_path / "x.drm")
    assert not (tmp_path / "runs").exists() or not list((tmp_path / "runs").iterdir())
    assert catalogue.find(Search()) == []


# --- comparing ------------------------------------------------------------------------------------


@pytest.fixture
def campaign(closed: Path, tmp_path: Path) -> Path:
    """Three results before and three after a change of 3 %, each a little different."""
    result = read_evaluation(closed)
    for run_ids, gain in ((BEFORE, 1.0), (AFTER, 1.03)):
        for run_id, scatter in zip(run_ids, (0.999, 1.0, 1.001), strict=True):
            (tmp_path / run_id).mkdir()
            write_evaluation(tmp_path / run_id, 1, scaled(result, gain * scatter))
    return tmp_path


def test_a_gain_is_found_with_its_interval(campaign: Path) -> None:
    found = compare(campaign, BEFORE, AFTER)
    assert found.verdict == "gained"
    assert found.overall.low < 0.03 < found.overall.high
    assert found.overall.change == pytest.approx(0.03, abs=1e-6)
    again = compare(campaign, AFTER, BEFORE)
    assert again.verdict == "lost"


@pytest.mark.parametrize("units", list(UnitSystem))
def test_a_comparison_is_a_report_with_the_verdict_first(campaign: Path, units: UnitSystem) -> None:
    subject = Subject(
        "Two", "Ada", "Rig", ("2026-01-01T00:00:00+00:00",), ("b: wet",), Reader(units)
    )
    page = render_gain(campaign, BEFORE, AFTER, "html", subject).decode()
    assert page.index("Gained: +3.0 %") < page.index("<svg") < page.index("Limits of the method")
    assert ("mph" if units is UnitSystem.US else "km/h") in page
    assert "Two · Ada" in page
    assert "three" not in page or "3 times before" in page
    text = pdf_text(render_gain(campaign, BEFORE, AFTER, "pdf", subject))
    assert "Gained: +3.0 %" in text
    with pytest.raises(Refused, match="no report form"):
        render_gain(campaign, BEFORE, AFTER, "docx", subject)


def test_a_german_comparison_is_german_in_every_line(campaign: Path) -> None:
    subject = Subject(
        "Zwei", "Ada", "Rig", ("2026-01-01T00:00:00+00:00",), (), Reader(language="de")
    )
    page = render_gain(campaign, BEFORE, AFTER, "html", subject).decode().partition("<body>")[2]
    said = [unescape(part).strip() for part in re.split(r"<[^>]*>", page)]
    assert not [part for part in said if ENGLISH_LEFT.search(part)]
    assert "+3,0 ± " in page
    assert "gewonnen" in page


def test_the_same_truck_twice_is_not_proven(campaign: Path) -> None:
    found = compare(campaign, BEFORE[:2], [BEFORE[2], AFTER[0]])
    assert found.verdict == "not proven"
    assert found.more_repeats is not None


def test_what_may_differ_between_sessions_widens_the_interval(campaign: Path) -> None:
    sure = compare(campaign, BEFORE, AFTER, between=0.0)
    unsure = compare(campaign, BEFORE, AFTER, between=0.02)
    assert unsure.overall.low < sure.overall.low
    assert unsure.verdict == "not proven"
    one = session_sigma(read_evaluation(campaign / BEFORE[0]))
    assert 0.0 < one < 0.002
    assert math.isclose(compare(campaign, BEFORE, AFTER).between_sigma_relative, one, rel_tol=0.01)


def test_void_runs_are_left_out_and_other_weather_is_warned_of(
    campaign: Path, closed: Path
) -> None:
    result = scaled(read_evaluation(closed), 1.03)
    hot = {**result.conditions, "ambient_k": result.conditions["ambient_k"] + 12.0}
    for run_id in AFTER:
        write_evaluation(campaign / run_id, 2, msgspec.structs.replace(result, conditions=hot))
    write_evaluation(
        campaign / BEFORE[0], 2, msgspec.structs.replace(result, valid=False, void=["v"])
    )
    found = compare(campaign, BEFORE, AFTER)
    assert [one.run_id for one in found.left_out] == [BEFORE[0]]
    assert any("Air temperature" in str(warning) for warning in found.warnings)


def test_a_run_on_both_sides_and_too_few_repeats_are_refused(campaign: Path) -> None:
    with pytest.raises(Refused, match="both sides"):
        compare(campaign, BEFORE, BEFORE)
    with pytest.raises(Refused, match="at least two"):
        compare(campaign, BEFORE[:1], AFTER)


def test_a_rig_that_drifts_breaks_the_chart(closed: Path, tmp_path: Path) -> None:
    result = read_evaluation(closed)
    draw = np.random.default_rng(4)
    steady = 1.0 + 0.001 * draw.standard_normal(24)
    for name, drift in (("a", 0.0), ("b", 0.0004)):
        ids = []
        for number, base in enumerate(steady):
            run_id = f"202601{number + 1:02d}-000000-000{name}"
            (tmp_path / run_id).mkdir()
            later = max(0, number - 8)
            write_evaluation(tmp_path / run_id, 1, scaled(result, float(base) + drift * later))
            ids.append(run_id)
        found = consistency(tmp_path, ids)
        assert found.runs == ids
        assert bool(found.chart.findings) == (name == "b")


# --- routes ---------------------------------------------------------------------------------------


@pytest.fixture
async def with_run(service: Service, closed: Path, data: Path) -> Service:
    shutil.copytree(closed, data / "runs" / RUN_ID)
    catalogue = service.context.keeper.catalogue
    catalogue.begin_run(new_run(RUN_ID, vehicle="Two"))
    vehicle_records.note_first(catalogue, RUN_ID, msgspec.to_builtins(read_evaluation(closed)))
    return service


async def test_result_report_and_export_by_http(with_run: Service, data: Path) -> None:
    async with with_run.browser() as browser:
        result = (await browser.get(f"/api/runs/{RUN_ID}/result")).json()
        assert result["curves"]
        page = await browser.get(f"/api/runs/{RUN_ID}/report")
        assert page.headers["content-type"].startswith("text/html")
        assert "Steady hold" in page.text
        # Its one style sheet is the one its policy lets through, or browsers would show it bare.
        (style,) = re.findall(r"<style>(.*?)</style>", page.text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        policy = page.headers["content-security-policy"]
        assert f"style-src 'sha256-{digest}'" in policy
        assert "default-src 'none'" in policy
        pdf = await browser.get(f"/api/runs/{RUN_ID}/report", params={"form": "pdf"})
        assert pdf.content.startswith(b"%PDF")
        us = await browser.get(f"/api/runs/{RUN_ID}/report", params={"units": "us"})
        assert "hp (95 % interval)" in us.text
        assert (await browser.get(f"/api/runs/{RUN_ID}/report?units=x")).status_code == 422
        german = await browser.get(f"/api/runs/{RUN_ID}/report", params={"language": "de"})
        assert "Warnhinweise" in german.text
        unknown = await browser.get(f"/api/runs/{RUN_ID}/report", params={"language": "xx"})
        assert "Cautions" in unknown.text
        table = await browser.get(
            f"/api/runs/{RUN_ID}/export", params={"form": "csv", "columns": "power_w"}
        )
        lines = table.text.splitlines()
        assert lines[0].startswith(f"# run {RUN_ID}; vehicle ")
        assert lines[4] == "time_s,utc,utc_sigma_s,power_w"
        unknown = await browser.get(f"/api/runs/{RUN_ID}/export", params={"form": "xlsx"})
        assert unknown.status_code == 422
        missing = await browser.get(f"/api/runs/{RUN_ID}/result", params={"number": 9})
        assert (missing.status_code, missing.json()["code"]) == (404, "no-evaluation")
    assert not list(data.glob("export-*"))


async def test_what_happened_in_a_run_is_told_in_order_by_http(with_run: Service) -> None:
    async with with_run.browser() as browser:
        told = (await browser.get(f"/api/runs/{RUN_ID}/timeline")).json()["moments"]
        assert [one["at_s"] for one in told] == sorted(one["at_s"] for one in told)
        assert (told[0]["kind"], told[0]["at_s"]) == ("run-started", 0.0)
        assert [one["kind"] for one in told].count("run-ended") == 1
        phases = [one for one in told if one["kind"] == "phase"]
        assert phases[-1]["text_message"]["values"] == {"phase": "hold"}
        assert [one["text"] for one in told if one["kind"] == "set-point"] == [
            "Set point: 1,900 rpm."
        ]
        missing = await browser.get(f"/api/runs/{BEFORE[0]}/timeline")
        assert (missing.status_code, missing.json()["code"]) == (404, "no-run")


async def test_evaluating_again_by_http_keeps_the_history(with_run: Service) -> None:
    async with with_run.browser() as browser:
        made = await browser.post(
            f"/api/runs/{RUN_ID}/evaluations", json={"settings": {"settle_s": 2.5}}
        )
        assert made.status_code == 201
        assert made.json()["number"] == 2
        history = (await browser.get(f"/api/runs/{RUN_ID}/evaluations")).json()["evaluations"]
        assert [each["settings"]["settle_s"] for each in history] == [None, 2.5]
        bad = await browser.post(
            f"/api/runs/{RUN_ID}/evaluations", json={"settings": {"smooth": 1}}
        )
        assert bad.status_code == 422


async def test_vehicles_and_sets_by_http(with_run: Service) -> None:
    async with with_run.browser() as browser:
        await browser.put("/api/vehicles", json={"name": "Two", "owner": "Ada"})
        listed = (await browser.get("/api/vehicles")).json()["vehicles"]
        assert [(one["name"], one["owner"], one["runs"]) for one in listed] == [("Two", "Ada", 1)]
        assert (await browser.get("/api/runs", params={"owner": "Ada"})).json()["runs"]
        put = await browser.put("/api/sets", json={"name": "check", "runs": [RUN_ID]})
        assert put.status_code == 200
        assert (await browser.get("/api/runs", params={"set": "check"})).json()["runs"]
        few = await browser.get("/api/consistency", params={"set": "check"})
        assert (few.status_code, few.json()["code"]) == (409, "too-few-runs")
        gone = await browser.delete("/api/sets", params={"name": "check"})
        assert gone.status_code == 204
        assert (await browser.delete("/api/vehicles", params={"name": "Two"})).status_code == 204
        unknown = await browser.put("/api/sets", json={"name": "x", "runs": [BEFORE[0]]})
        assert unknown.status_code == 404


async def test_drift_of_the_rig_is_charted_by_http(
    with_run: Service, closed: Path, data: Path
) -> None:
    """Eight alike, then a step of 2 %: seen by the limits and by the sums."""
    result = read_evaluation(closed)
    ids = []
    for number in range(10):
        run_id = f"202602{number + 1:02d}-000000-000c"
        with_run.context.keeper.catalogue.begin_run(new_run(run_id))
        (data / "runs" / run_id).mkdir()
        factor = 1.0 + 0.001 * (number % 2) + (0.02 if number >= 8 else 0.0)
        write_evaluation(data / "runs" / run_id, 1, scaled(result, factor))
        ids.append(run_id)
    async with with_run.browser() as browser:
        await browser.put("/api/sets", json={"name": "check", "runs": ids})
        told = (await browser.get("/api/consistency", params={"set": "check"})).json()
    assert told["runs"] == ids
    assert told["unit"] == "W"
    rules = {(one["index"], one["rule"]) for one in told["chart"]["findings"]}
    assert {(8, "beyond limits"), (9, "beyond limits"), (8, "drift up")} <= rules
    assert len(told["chart"]["high_sums"]) == 10


async def test_comparing_by_http_needs_known_runs(with_run: Service) -> None:
    async with with_run.browser() as browser:
        for address in ("/api/compare", "/api/compare/report"):
            answer = await browser.post(address, json={"before": BEFORE, "after": AFTER})
            assert (answer.status_code, answer.json()["code"]) == (404, "no-run")


async def test_a_comparison_is_reported_by_http(
    with_run: Service, closed: Path, data: Path
) -> None:
    result = read_evaluation(closed)
    for run_id in (*BEFORE, *AFTER):
        with_run.context.keeper.catalogue.begin_run(new_run(run_id, vehicle="Two"))
        (data / "runs" / run_id).mkdir()
        write_evaluation(data / "runs" / run_id, 1, result)
    async with with_run.browser() as browser:
        asked = {"before": BEFORE, "after": AFTER}
        answer = await browser.post("/api/compare/report?form=pdf&units=us", json=asked)
        assert answer.status_code == 200
        assert "Not proven" in pdf_text(answer.content)
