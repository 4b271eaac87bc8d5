"""Whose report it is: name, address and logo of the shop, from `shop.toml` in the data directory.

Data flow: DATA/shop.toml and the picture beside it -> Letterhead -> api.report.html and .pdf.
"""

from __future__ import annotations

import tomllib
from io import BytesIO
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta
from PIL import Image

from daq.errors import Refused
from daq.texts.message import say

FILE = "shop.toml"
MOST_LOGO_BYTES = 1_000_000
_KINDS = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
Line = Annotated[str, Meta(max_length=120, pattern=r"^[^\x00-\x1f\x7f-\x9f\u2028-\u202e]*\Z")]


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: Annotated[Line, Meta(min_length=1)]
    address: Annotated[tuple[Line, ...], Meta(max_length=6)] = ()
    logo: str = ""  # PNG or JPEG, beside this file


class Letterhead(msgspec.Struct, frozen=True):
    """`logo`: a picture's bytes, b"" for none; `media`: its type."""

    name: str
    address: tuple[str, ...] = ()
    logo: bytes = b""
    media: str = ""


def read_shop(data: Path) -> Letterhead | None:
    """The shop of a data directory; None when it has no such file. Raises Refused."""
    path = data / FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(
            say("shop-file-cannot-be-read", path=str(path), why=str(error)),
            say("mend-or-remove-shop-file"),
            "shop",
        ) from None
    try:
        told = msgspec.convert(tomllib.loads(text), _File)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise Refused(
            say("shop-file-is-wrong", path=str(path), why=str(error)),
            say("shop-file-may-hold"),
            "shop",
        ) from None
    if not told.logo:
        return Letterhead(told.name, told.address)
    logo, media = _picture(data / told.logo)
    return Letterhead(told.name, told.address, logo, media)


def _picture(path: Path) -> tuple[bytes, str]:
    try:
        if path.stat().st_size > MOST_LOGO_BYTES:
            raise Refused(
                say("logo-is-larger-than", path=str(path), most_kb=MOST_LOGO_BYTES // 1000),
                say("use-smaller-picture"),
                "shop",
            )
        raw = path.read_bytes()
    except OSError as error:
        raise Refused(
            say("logo-cannot-be-read", path=str(path), why=error.strerror or "?"),
            say("put-logo-beside-shop-file"),
            "shop",
        ) from None
    media = next((media for start, media in _KINDS.items() if raw.startswith(start)), "")
    if not media:
        raise Refused(
            say("logo-is-no-png-or-jpeg", path=str(path)), say("save-logo-as-png-or-jpeg"), "shop"
        )
    try:
        with Image.open(BytesIO(raw)) as image:
            image.load()
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        raise Refused(
            say("logo-is-no-picture", path=str(path)), say("save-logo-as-png-or-jpeg"), "shop"
        ) from None
    return raw, media
