"""A report as PDF by fpdf2: one or two A4 pages, typeface embedded, charts as lines and areas.

Data flow: Content -> bytes. The typeface of the page knows Latin letters; Greek, Cyrillic and the
rest of Latin come from a second one, which is loaded when a report needs it. What neither knows is
shown as a replacement sign, and the report says so.
"""

from __future__ import annotations

import logging
import unicodedata
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import MethodReturnValue, XPos, YPos
from fpdf.fonts import TTFFont

from api.report import words
from api.report.chart import CHANNEL_HEIGHT, draw, sized
from api.report.content import Content
from api.report.drawing import INK, LINE, SOFT, Area, Dot, Drawing, Polyline, Text
from api.report.shop import Letterhead
from daq.texts.message import say
from daq.texts.reader import Reader

FONTS = Path(__file__).parent / "fonts"
FAMILY = "Atkinson"
WIDER = "Noto"
REPLACEMENT = "\ufffd"  # the wider typeface has it
MARGIN = 48.0
WIDTH, HEIGHT = 595.28, 841.89  # A4 in points
INNER = WIDTH - 2 * MARGIN
FOOT = 40.0
BETWEEN = 6.0  # of blocks
IN_A_ROW = 3  # charts of channels
SHOP_WIDTH, LOGO_HEIGHT, SIGN_HEIGHT = 210.0, 40.0, 44.0

logging.getLogger("fontTools").setLevel(logging.WARNING)


class PdfDocument(FPDF):
    """One document; the foot says what made it."""

    def __init__(self, made: str, reader: Reader) -> None:
        super().__init__(unit="pt", format="A4")
        self.made = made
        self.reader = reader
        self.set_margins(MARGIN, 40.0, MARGIN)
        self.set_auto_page_break(True, FOOT + 14)
        self.add_font(FAMILY, "", FONTS / "AtkinsonHyperlegibleNext_400Regular.ttf")
        self.add_font(FAMILY, "B", FONTS / "AtkinsonHyperlegibleNext_600SemiBold.ttf")
        face = self.fonts["atkinson"]
        self.known = frozenset(face.cmap) if isinstance(face, TTFFont) else frozenset()
        self.wider: frozenset[int] = frozenset()
        self.lacking = False  # a letter was replaced
        self.c_margin = 0.0

    def footer(self) -> None:
        """Version, settings and page number at the foot of each page."""
        self.set_y(-FOOT)
        self.pen(LINE, 0.5)
        self.line(MARGIN, self.get_y(), WIDTH - MARGIN, self.get_y())
        self.set_y(-FOOT + 6)
        self.type(7.0, SOFT)
        self.cell(INNER - 30, 9, self.fit(self.made, INNER - 40))
        # Placed by the width it will have: the number of pages is filled in at the end.
        widest = self.reader.sentence(say("report-page", page=1, pages="1"))
        self.set_x(WIDTH - MARGIN - self.get_string_width(widest))
        page = say("report-page", page=self.page_no(), pages="{nb}")
        self.cell(30, 9, self.reader.sentence(page))

    def pen(self, colour: str, width: float) -> None:
        """Colour and width of the next lines."""
        self.set_draw_color(*_rgb(colour))
        self.set_line_width(width)

    def type(self, size: float, colour: str = INK, *, bold: bool = False) -> None:
        """Typeface of the next text."""
        self.set_font(FAMILY, "B" if bold else "", size)
        self.set_text_color(*_rgb(colour))

    def plain(self, text: str) -> str:
        """The text with a sign in place of letters that no typeface has."""
        text = unicodedata.normalize("NFC", text).replace("\t", " ")
        if all(ord(one) in self.known or one == "\n" for one in text):
            return text
        self._widen()
        there = self.known | self.wider
        kept = "".join(one if ord(one) in there or one == "\n" else REPLACEMENT for one in text)
        self.lacking = self.lacking or REPLACEMENT in kept
        return kept

    def _widen(self) -> None:
        """Load the second typeface, once."""
        if self.wider:
            return
        self.add_font(WIDER, "", FONTS / "NotoSans_400Regular.ttf")
        self.add_font(WIDER, "B", FONTS / "NotoSans_600SemiBold.ttf")
        self.set_fallback_fonts([WIDER], exact_match=False)
        face = self.fonts[WIDER.lower()]
        self.wider = frozenset(face.cmap) if isinstance(face, TTFFont) else frozenset()

    def put(self, x: float, y: float, text: str) -> None:
        """One line with its baseline at `y`."""
        if all(ord(one) in self.known for one in text):
            self.text(x, y, text)
            return
        # Only cells look into the second typeface. Their baseline lies 0.3 of the size below half.
        height = self.font_size
        self.set_xy(x, y - 0.5 * height - 0.3 * height)
        self.cell(self.get_string_width(text) + 1.0, height, text)

    def fit(self, text: str, width: float) -> str:
        """The text cut to a width."""
        text = self.plain(text)
        if self.get_string_width(text) <= width:
            return text
        while text and self.get_string_width(f"{text}…") > width:
            text = text[:-1]
        return f"{text.rstrip()}…"

    def paragraph(
        self,
        text: str,
        size: float,
        leading: float,
        colour: str = INK,
        *,
        bold: bool = False,
        width: float = INNER,
    ) -> None:
        """A paragraph at the left margin."""
        self.type(size, colour, bold=bold)
        self.multi_cell(
            width, leading, self.plain(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )


def pdf_of(content: Content) -> bytes:
    """The whole document."""
    says = content.reader.sentence
    page = PdfDocument(content.made, content.reader)
    page.set_title(page.plain(f"{content.title} · {content.subject} · {content.run}"))
    page.set_creator("Drumlin")
    page.set_lang(content.reader.language)
    page.add_page()
    _top(page, content)
    for drawing in sized(content.panels, INNER, content.reader):
        _chart(page, drawing)
    _two(page, content)
    _points(page, content)
    _channels(page, content)
    flags = content.flags or (says(words.NO_FLAGS),)
    _block(page, says(words.FLAGS), flags, plain=not content.flags)
    if content.correction:
        _block(page, says(words.CORRECTION), (content.correction,), plain=True)
    if content.sureness:
        if page.get_y() + 50 + 11 * len(content.parts) > HEIGHT - FOOT - 20:
            page.add_page()
        _block(page, says(words.SURE), (content.sureness,), plain=True)
        _parts(page, content.parts)
    _block(page, says(words.LIMITS), content.limits)
    _block(page, says(words.CAUTIONS), content.cautions)
    if content.notes:
        _block(page, says(words.NOTES), content.notes)
    _sign(page)
    if page.lacking:
        page.paragraph(says(say("report-letters-lacking", sign=REPLACEMENT)), 8.0, 11.0, SOFT)
    return bytes(page.output())


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _top(page: PdfDocument, content: Content) -> None:
    _shop(page, content.shop)
    page.type(8.0, SOFT)
    right = page.fit(f"{content.rig} · {content.date} · {content.run}", INNER - SHOP_WIDTH)
    page.set_x(MARGIN + SHOP_WIDTH)
    page.cell(INNER - SHOP_WIDTH, 12, right, align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    page.pen(LINE, 0.6)
    page.line(MARGIN, page.get_y() + 4, WIDTH - MARGIN, page.get_y() + 4)
    page.ln(22)
    page.paragraph(content.title, 19.0, 22.0, bold=True)
    page.paragraph(content.subject, 10.0, 13.0, SOFT)
    page.ln(11)
    page.paragraph(content.asked, 9.5, 12.5, SOFT)
    page.ln(3)
    if content.void:
        page.ln(6)
        _void(page, content.void)
        page.paragraph(
            f"{content.reader.sentence(words.UNQUOTED)} {content.answer}", 9.5, 12.5, SOFT
        )
    else:
        page.paragraph(content.answer, 13.5, 17.5, bold=True, width=INNER - 20)
    page.ln(10)


def _shop(page: PdfDocument, shop: Letterhead | None) -> None:
    """Who the report is from, at the left; without a shop, the program. Ends on its last line."""
    if shop is not None and shop.logo:
        page.image(BytesIO(shop.logo), MARGIN, page.get_y(), h=LOGO_HEIGHT, w=SHOP_WIDTH,
                   keep_aspect_ratio=True)  # fmt: skip
        page.set_y(page.get_y() + LOGO_HEIGHT + 5)
    name = shop.name if shop is not None else "Drumlin"
    address = shop.address if shop is not None else ()
    page.type(11.5, INK, bold=True)
    page.cell(SHOP_WIDTH, 12, page.fit(name, SHOP_WIDTH))
    page.type(8.0, SOFT)
    for line in address:
        page.set_xy(MARGIN, page.get_y() + 12)
        page.cell(SHOP_WIDTH, 10, page.fit(line, SHOP_WIDTH))


def _sign(page: PdfDocument) -> None:
    """Two lines to write on."""
    if page.get_y() + SIGN_HEIGHT > HEIGHT - FOOT - 6:
        page.add_page()
    y, wide = page.get_y() + SIGN_HEIGHT - 14, (INNER - 36) / 2
    page.pen(INK, 0.6)
    page.type(7.5, SOFT)
    for left, told in (
        (MARGIN, words.PLACE_AND_DATE),
        (MARGIN + wide + 36, words.NAME_AND_SIGNATURE),
    ):
        page.line(left, y, left + wide, y)
        page.text(left, y + 9, page.reader.sentence(told))
    page.set_y(y + 14)


def _void(page: PdfDocument, reasons: Sequence[str]) -> None:
    start = page.get_y()
    page.set_xy(MARGIN + 10, start + 7)
    page.set_left_margin(MARGIN + 10)
    page.paragraph(page.reader.sentence(words.VOID), 13.5, 17.5, bold=True, width=INNER - 20)
    for reason in reasons:
        page.paragraph(reason, 9.0, 12.0, width=INNER - 20)
    page.set_left_margin(MARGIN)
    page.pen(INK, 1.1)
    page.rect(MARGIN, start, INNER, page.get_y() - start + 7)
    page.set_xy(MARGIN, page.get_y() + 14)


def _chart(page: PdfDocument, drawing: Drawing, left: float = MARGIN) -> None:
    if page.get_y() + drawing.height > HEIGHT - FOOT - 20:
        page.add_page()
    top = page.get_y()
    for shape in drawing.shapes:
        match shape:
            case Polyline(points, width, colour, dash):
                page.pen(colour, width)
                if dash:
                    page.set_dash_pattern(dash[0], dash[1])
                page.polyline([(left + x, top + y) for x, y in points])
                if dash:
                    page.set_dash_pattern()
            case Area(points, fill):
                page.set_fill_color(*_rgb(fill))
                page.polygon([(left + x, top + y) for x, y in points], style="F")
            case Dot(at, radius, fill):
                page.set_fill_color(*_rgb(fill))
                page.circle(left + at[0], top + at[1], radius, style="F")
            case Text(at, text, size, bold, colour, anchor):
                page.type(size, colour, bold=bold)
                text = page.plain(text)
                shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
                page.put(left + at[0] - shift * page.get_string_width(text), top + at[1], text)
    page.set_xy(MARGIN, top + drawing.height + 12)


def _two(page: PdfDocument, content: Content) -> None:
    """Figures at the left, conditions at the right."""
    says, gap = page.reader.sentence, 26.0
    wide = 0.6 * (INNER - gap)
    rows = max(len(content.figures), len(content.conditions))
    if page.get_y() + 16 + 14.5 * rows > HEIGHT - FOOT - 20:
        page.add_page()
    top = page.get_y() + 4
    ends = [
        _pairs(page, says(words.FIGURES), content.figures, MARGIN, top, wide),
        _pairs(
            page,
            says(words.CONDITIONS),
            content.conditions,
            MARGIN + wide + gap,
            top,
            INNER - wide - gap,
        ),
    ]
    page.set_xy(MARGIN, max(ends) + 12)


def _pairs(
    page: PdfDocument,
    title: str,
    pairs: Sequence[tuple[str, str]],
    x: float,
    y: float,
    width: float,
) -> float:
    if not pairs:
        return y
    page.type(9.5, INK, bold=True)
    page.put(x, y + 9, title)
    y += 15
    for name, number in pairs:
        page.type(8.5, INK)
        value = page.plain(number)
        room = page.get_string_width(value)
        page.put(x + width - room, y + 10, value)
        page.type(8.5, SOFT)
        page.put(x, y + 10, page.fit(name, width - room - 8))
        page.pen(LINE, 0.4)
        page.line(x, y + 14, x + width, y + 14)
        y += 14.5
    return y


def _points(page: PdfDocument, content: Content) -> None:
    _table(page, content.table_title, content.table_head, content.table)


def _channels(page: PdfDocument, content: Content) -> None:
    """Their table, and their course beside that of power, three charts in a row."""
    head = tuple(page.reader.sentence(one) for one in words.CHANNEL_COLUMNS)
    _table(page, page.reader.sentence(words.CHANNELS), head, content.channels, first=1.6)
    gap = 12.0
    wide = (INNER - (IN_A_ROW - 1) * gap) / IN_A_ROW
    drawings = [draw(one, wide, CHANNEL_HEIGHT, reader=content.reader)
                for one in content.channel_panels]  # fmt: skip
    for first in range(0, len(drawings), IN_A_ROW):
        _room(page, CHANNEL_HEIGHT)
        top = page.get_y()
        for place, drawing in enumerate(drawings[first : first + IN_A_ROW]):
            page.set_xy(MARGIN, top)
            _chart(page, drawing, MARGIN + place * (wide + gap))


def _table(
    page: PdfDocument,
    title: str,
    head: tuple[str, ...],
    rows: tuple[tuple[str, ...], ...],
    first: float = 1.0,
) -> None:
    """`first`: width of the first column, in those of the others."""
    if not rows:
        return
    _room(page, 14.0 * (len(rows) + 2))
    page.paragraph(title, 9.5, 14.0, bold=True)
    width = INNER / (len(head) - 1 + first)
    for number, row in enumerate((head, *rows)):
        page.type(8.5, SOFT if number == 0 else INK)
        for place, cell in enumerate(row):
            wide = width * (first if place == 0 else 1.0)
            page.cell(wide, 13, page.fit(cell, wide - 4), align="L" if place == 0 else "R")
        page.ln(13)
        page.pen(LINE, 0.4)
        page.line(MARGIN, page.get_y(), WIDTH - MARGIN, page.get_y())
    page.ln(12)


def _room(page: PdfDocument, height: float) -> None:
    """Go on at the next page when this much does not fit on this one."""
    if page.get_y() + height > HEIGHT - FOOT - 14:
        page.add_page()


def _height(page: PdfDocument, text: str, width: float) -> float:
    """Of a paragraph in the type that is set."""
    told = page.multi_cell(
        width, 11.5, page.plain(text), align="L", dry_run=True, output=MethodReturnValue.HEIGHT
    )
    return told if isinstance(told, float) else 11.5


def _block(page: PdfDocument, title: str, lines: Sequence[str], *, plain: bool = False) -> None:
    """A heading and its lines, together on a page where one holds them."""
    if not lines:
        return
    indent = 0.0 if plain else 9.0
    page.type(8.5, INK)
    tall = [_height(page, line, INNER - indent) for line in lines]
    _room(page, min(14.0 + sum(tall), HEIGHT / 3))
    page.paragraph(title, 9.5, 14.0, bold=True)
    for line, height in zip(lines, tall, strict=True):
        _room(page, height)
        if not plain:
            page.type(8.5, SOFT)
            page.cell(indent, 11.5, "·")
        page.type(8.5, INK)
        page.multi_cell(
            INNER - indent, 11.5, page.plain(line), align="L", new_x=XPos.LMARGIN,
            new_y=YPos.NEXT,
        )  # fmt: skip
    page.ln(BETWEEN)


def _parts(page: PdfDocument, parts: Sequence[tuple[str, str, str]]) -> None:
    page.ln(-5)
    for name, effect, origin in parts:
        page.type(8.0, INK)
        page.cell(150, 11, page.fit(name, 145))
        page.cell(60, 11, effect, align="R")
        page.type(8.0, SOFT)
        page.cell(INNER - 225, 11, page.fit(f"   {origin}", INNER - 230))
        page.ln(11)
    page.ln(BETWEEN)
