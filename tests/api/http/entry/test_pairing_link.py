"""Pairing by camera: the link and its QR code lead a tablet here, with a code that works once."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
import segno

from api.http.entry import pairing
from api.http.entry.access import CODE_LIFE_S
from api.http.entry.tokens import Role, TokenBook
from api.settings import ServiceSection
from tests.api.harness import StartService

OPEN = ServiceSection(host="0.0.0.0", hosts=("rig.example",))


@pytest.fixture
def secrets(data: Path) -> dict[Role, str]:
    book = TokenBook(data)
    return {role: book.add(role.value, role)[1] for role in Role}


@pytest.mark.parametrize(
    ("scheme", "host", "port", "service", "found"),
    [
        ("http", "192.0.2.20", 8440, OPEN, "http://192.0.2.20:8440/#/pair/ABCD2345"),
        ("https", "rig.example", 443, OPEN, "https://rig.example/#/pair/ABCD2345"),
        ("http", "2001:db8::5", 80, OPEN, "http://[2001:db8::5]/#/pair/ABCD2345"),
        ("http", "127.0.0.1", 8440, ServiceSection(), ""),
        (
            "http", "127.0.0.1", 8440, ServiceSection(host="192.0.2.9"),
            "http://192.0.2.9:8440/#/pair/ABCD2345",
        ),
    ],
)  # fmt: skip
def test_the_link_names_an_address_that_a_tablet_can_open(
    scheme: str, host: str, port: int, service: ServiceSection, found: str
) -> None:
    assert pairing.link(scheme, host, port, service, "ABCD2345") == found


@pytest.mark.parametrize("own", ["198.51.100.7", ""])
def test_asked_on_the_rigs_own_computer_it_looks_for_its_address_in_the_network(
    own: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pairing, "_own_address", lambda: own)
    found = pairing.link("http", "localhost", 8440, OPEN, "ABCD2345")
    assert found == (f"http://{own}:8440/#/pair/ABCD2345" if own else "")


def test_the_drawing_has_the_modules_of_the_code_and_a_quiet_border() -> None:
    link = "http://192.0.2.20:8440/#/pair/ABCD2345"
    root = ET.fromstring(pairing.svg(link))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    matrix = segno.make(link, micro=False, error="q").matrix
    size = len(matrix) + 8
    assert root.attrib["viewBox"] == f"0 0 {size} {size}"
    drawn = [[False] * size for _ in range(size)]
    for x, y, length in _strokes(root[1].attrib["d"]):
        for step in range(length):
            drawn[y][x + step] = True
    inside = [row[4:-4] for row in drawn[4:-4]]
    assert inside == [[bool(module) for module in row] for row in matrix]
    assert sum(map(sum, drawn)) == sum(map(sum, inside)), "nothing in the border"


def _strokes(path: str) -> list[tuple[int, int, int]]:
    """(x, y, length) of the horizontal strokes of a path of M, m and h."""
    strokes: list[tuple[int, int, int]] = []
    x, y = 0.0, 0.0
    for letter, values in re.findall(r"([Mmh])([^Mmh]*)", path):
        numbers = [float(value) for value in re.findall(r"-?[\d.]+", values)]
        if letter == "h":
            strokes.append((int(x), int(y), int(numbers[0])))
            x += numbers[0]
        elif letter == "M":
            x, y = numbers
        else:
            x, y = x + numbers[0], y + numbers[1]
    return strokes


async def test_the_answer_carries_code_link_and_drawing_and_the_tablet_gets_in_by_the_link(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service(service=OPEN)
    async with service.browser("192.0.2.5", secrets[Role.MAINTAIN], "192.0.2.9:8440") as desk:
        made = (await desk.post("/api/pairing-codes", json={"role": "watch"})).json()
    assert made["link"] == f"http://192.0.2.9:8440/#/pair/{made['code']}"
    assert made["qr_svg"] == pairing.svg(made["link"])
    assert made["expires_in_s"] == CODE_LIFE_S
    code = made["link"].rpartition("/")[2]
    async with service.browser("192.0.2.30", host="192.0.2.9:8440") as tablet:
        paired = await tablet.post("/api/pair", json={"code": code, "name": "Bay 3"})
        assert paired.status_code == 201
        again = await tablet.post("/api/pair", json={"code": code, "name": "Bay 4"})
        assert again.json()["code"] == "pairing-code"


async def test_a_service_on_loopback_gives_no_link_that_would_lead_a_tablet_to_itself(
    secrets: dict[Role, str], start_service: StartService
) -> None:
    service = await start_service()
    async with service.browser(token=secrets[Role.MAINTAIN]) as desk:
        made = (await desk.post("/api/pairing-codes", json={})).json()
    assert made["code"]
    assert (made["link"], made["qr_svg"]) == ("", "")
