"""Whose report it is: name, address and logo from shop.toml, in HTML and PDF."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image

from api.report.content import Content
from api.report.html import html_of
from api.report.pdf import pdf_of
from api.report.shop import Letterhead, read_shop
from daq.errors import Refused


def picture(kind: str = "PNG") -> bytes:
    raw = io.BytesIO()
    Image.new("RGB", (60, 20), "navy").save(raw, kind)
    return raw.getvalue()


def content(shop: Letterhead | None) -> Content:
    return Content(
        title="Steady hold", subject="Invented truck", run="run x", date="today", rig="a rig",
        asked="Hold.", answer="It held.", void=(), panels=(), figures=(), conditions=(),
        table_title="", table_head=(), table=(), channels=(), channel_panels=(), flags=(),
        correction="", sureness="", parts=(), limits=(), cautions=(), notes=(), made="made",
        shop=shop,
    )  # fmt: skip


def test_the_shop_of_the_data_directory_heads_both_forms(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text(
        'name = "Invented <Diesel> Works"\naddress = ["1 Example Road", "Tarnhow"]\n'
        'logo = "logo.png"\n'
    )
    (tmp_path / "logo.png").write_bytes(picture())
    shop = read_shop(tmp_path)
    assert shop is not None
    page = html_of(content(shop))
    assert "Invented &lt;Diesel&gt; Works" in page
    assert "1 Example Road" in page
    assert 'src="data:image/png;base64,' in page
    assert "<b>Drumlin</b>" not in page
    assert "Name, signature" in page
    with_logo = pdf_of(content(shop))
    assert b"/Subtype /Image" in with_logo
    assert b"/Subtype /Image" not in pdf_of(content(None))


def test_without_a_shop_the_program_stands_at_the_head(tmp_path: Path) -> None:
    assert read_shop(tmp_path) is None
    assert "<b>Drumlin</b>" in html_of(content(None))


@pytest.mark.parametrize(
    ("text", "logo", "says"),
    [
        ("nam = 1", b"", "shop.toml"),
        ("name = ", b"", "shop.toml"),
        ('name = "x"\nlogo = "none.png"', b"", "none.png"),
        ('name = "x"\nlogo = "logo.png"', b"GIF89a", "no PNG and no JPEG"),
        ('name = "x"\nlogo = "logo.png"', b"\x89PNG\r\n\x1a\n" + bytes(1_000_001), "larger than"),
        ('name = "x"\nlogo = "logo.png"', b"\x89PNG\r\n\x1a\n" + bytes(100), "cannot be read as"),
        ('name = "a\\u202eb"', b"", "shop.toml"),
    ],
)
def test_a_wrong_shop_file_is_refused_with_its_name(
    tmp_path: Path, text: str, logo: bytes, says: str
) -> None:
    (tmp_path / "shop.toml").write_text(text)
    if logo:
        (tmp_path / "logo.png").write_bytes(logo)
    with pytest.raises(Refused) as refused:
        read_shop(tmp_path)
    assert says in str(refused.value)
    assert refused.value.remedy


def test_a_jpeg_will_do(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text('name = "x"\nlogo = "logo.jpg"')
    (tmp_path / "logo.jpg").write_bytes(picture("JPEG"))
    shop = read_shop(tmp_path)
    assert shop is not None
    assert shop.media == "image/jpeg"
    assert b"/Subtype /Image" in pdf_of(content(shop))
