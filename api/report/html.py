"""A report as one HTML file that needs nothing else: styles and charts are inside.

Data flow: Content -> text. Prints on A4 or letter; no script, nothing fetched.
"""

from __future__ import annotations

import base64
import hashlib

from api.report import words
from api.report.chart import CHANNEL_HEIGHT, draw, sized
from api.report.content import Content
from api.report.shop import Letterhead
from api.report.svg import escaped, svg_of

_STYLE = """
:root{--ink:#14232b;--soft:#465962;--line:#c3cfd1;--accent:#17627c}
*{box-sizing:border-box}
body{margin:0;background:#fff;color:var(--ink);font:15px/1.45 "Atkinson Hyperlegible Next",
"Segoe UI",Roboto,"Helvetica Neue",Arial,sans-serif;font-variant-numeric:tabular-nums}
main{max-width:46rem;margin:0 auto;padding:2.5rem 1.5rem 3rem}
header{display:flex;justify-content:space-between;align-items:baseline;gap:1rem;
font-size:.84rem;color:var(--soft);padding-bottom:.55rem;border-bottom:1px solid var(--line)}
header b{font-size:1rem;color:var(--ink);font-weight:650;letter-spacing:-.01em}
header img{max-height:3.2rem;max-width:11rem;display:block;margin-bottom:.3rem}
header small{display:block;font-size:.84rem}header span{text-align:right}
.sign{display:grid;grid-template-columns:1fr 1fr;gap:2.2rem;margin-top:3.4rem;break-inside:avoid}
.sign p{border-top:1px solid var(--ink);padding-top:.25rem;font-size:.8rem;color:var(--soft)}
h1{font-size:1.55rem;line-height:1.2;margin:1.6rem 0 .1rem;font-weight:650;letter-spacing:-.015em}
.subject{color:var(--soft);margin:0 0 1.2rem}
.asked{color:var(--soft);margin:0}
.answer{font-size:1.22rem;line-height:1.38;font-weight:600;margin:.3rem 0 1.3rem;max-width:40rem}
.void{border:1.5px solid var(--ink);border-radius:4px;padding:.6rem .9rem;margin:0 0 1.3rem}
.void b{display:block;font-size:1.22rem;line-height:1.38;font-weight:600}
figure{margin:0 0 .6rem}
svg{display:block;width:100%;height:auto;font-family:inherit}
section{margin-top:1.5rem;break-inside:avoid}
h2{font-size:.95rem;margin:0 0 .35rem;font-weight:650}
.two{display:grid;grid-template-columns:3fr 2fr;gap:1.2rem 2.2rem}
.small-charts{display:grid;grid-template-columns:repeat(3,1fr);gap:0 1rem;margin-top:.8rem}
.two section{margin-top:1.2rem}
table{border-collapse:collapse;width:100%;font-size:.88rem}
td,th{text-align:left;padding:.24rem 0;border-bottom:1px solid var(--line);font-weight:400;
vertical-align:top}
td:last-child,th:last-child{text-align:right;white-space:nowrap;padding-left:.8rem}
.points td,.points th{text-align:right;white-space:nowrap}
.points td:first-child,.points th:first-child{text-align:left}
thead th{color:var(--soft)}
ul{margin:0;padding-left:1.1rem}li{margin:.12rem 0}
p{margin:.2rem 0}.small{font-size:.86rem}
footer{margin-top:2rem;padding-top:.55rem;border-top:1px solid var(--line);font-size:.8rem;
color:var(--soft)}
@media(max-width:38rem){.two,.small-charts{grid-template-columns:1fr;gap:0}}
@media print{@page{margin:16mm}main{padding:0;max-width:none}body{font-size:10pt}}
"""

# A browser that is told a strict policy takes this style sheet and nothing else.
_DIGEST = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
POLICY = (
    f"default-src 'none'; img-src data:; style-src 'sha256-{_DIGEST}'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)


def html_of(content: Content) -> str:
    """The whole page."""
    says = content.reader.sentence
    head = f"{content.title} · {content.subject} · {content.run}"
    drawings = sized(content.panels, 520.0, content.reader)
    charts = "".join(f"<figure>{svg_of(each)}</figure>" for each in drawings)
    flags = _list(content.flags) if content.flags else f"<p>{escaped(says(words.NO_FLAGS))}</p>"
    void = ""
    if content.void:
        void = (
            f'<div class="void"><b>{escaped(says(words.VOID))}</b>{_list(content.void)}</div>'
            f"<p class=asked>{escaped(says(words.UNQUOTED))} {escaped(content.answer)}</p>"
        )
    return (
        f'<!doctype html><html lang="{content.reader.language}"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escaped(head)}</title><style>{_STYLE}</style></head><body><main>"
        f"<header>{_shop(content.shop)}<span>{escaped(content.rig)} · {escaped(content.date)} · "
        f"{escaped(content.run)}</span></header>"
        f"<h1>{escaped(content.title)}</h1><p class=subject>{escaped(content.subject)}</p>"
        f"<p class=asked>{escaped(content.asked)}</p>"
        f"{void or f'<p class=answer>{escaped(content.answer)}</p>'}{charts}"
        f"<div class=two>{_pairs(says(words.FIGURES), content.figures)}"
        f"{_pairs(says(words.CONDITIONS), content.conditions)}</div>"
        f"{_points(content)}"
        f"{_channels(content)}"
        f"{_block(says(words.FLAGS), flags)}"
        f"{_correction(content)}"
        f"{_sureness(content)}"
        f"{_block(says(words.LIMITS), _list(content.limits))}"
        f"{_block(says(words.CAUTIONS), _list(content.cautions))}"
        f"{_block(says(words.NOTES), _list(content.notes)) if content.notes else ''}"
        f"<div class=sign><p>{escaped(says(words.PLACE_AND_DATE))}</p>"
        f"<p>{escaped(says(words.NAME_AND_SIGNATURE))}</p></div>"
        f"<footer>{escaped(content.made)}</footer></main></body></html>\n"
    )


def _shop(shop: Letterhead | None) -> str:
    """Who the report is from; without a shop, the program."""
    if shop is None:
        return "<b>Drumlin</b>"
    logo = ""
    if shop.logo:
        told = base64.b64encode(shop.logo).decode()
        logo = f'<img alt="" src="data:{shop.media};base64,{told}">'
    address = "".join(f"<small>{escaped(line)}</small>" for line in shop.address)
    return f"<div>{logo}<b>{escaped(shop.name)}</b>{address}</div>"


def _list(lines: tuple[str, ...]) -> str:
    return f"<ul>{''.join(f'<li>{escaped(line)}</li>' for line in lines)}</ul>"


def _block(title: str, body: str) -> str:
    return f"<section class=small><h2>{escaped(title)}</h2>{body}</section>"


def _pairs(title: str, pairs: tuple[tuple[str, str], ...]) -> str:
    if not pairs:
        return ""
    rows = "".join(f"<tr><td>{escaped(a)}</td><td>{escaped(b)}</td></tr>" for a, b in pairs)
    return f"<section><h2>{escaped(title)}</h2><table>{rows}</table></section>"


def _points(content: Content) -> str:
    return _table(content.table_title, content.table_head, content.table)


def _channels(content: Content) -> str:
    """Their table, and their course beside that of power."""
    drawings = [draw(one, 180.0, CHANNEL_HEIGHT, reader=content.reader)
                for one in content.channel_panels]  # fmt: skip
    charts = "".join(f"<figure>{svg_of(each)}</figure>" for each in drawings)
    head = tuple(content.reader.sentence(one) for one in words.CHANNEL_COLUMNS)
    table = _table(content.reader.sentence(words.CHANNELS), head, content.channels)
    return f"{table}<div class=small-charts>{charts}</div>"


def _table(title: str, names: tuple[str, ...], lines: tuple[tuple[str, ...], ...]) -> str:
    if not lines:
        return ""
    head = "".join(f"<th>{escaped(cell)}</th>" for cell in names)
    rows = "".join(
        f"<tr>{''.join(f'<td>{escaped(cell)}</td>' for cell in row)}</tr>" for row in lines
    )
    return (
        f"<section><h2>{escaped(title)}</h2>"
        f"<table class=points><thead><tr>{head}</tr></thead>"
        f"<tbody>{rows}</tbody></table></section>"
    )


def _correction(content: Content) -> str:
    if not content.correction:
        return ""
    title = content.reader.sentence(words.CORRECTION)
    return _block(title, f"<p>{escaped(content.correction)}</p>")


def _sureness(content: Content) -> str:
    if not content.sureness:
        return ""
    rows = "".join(
        f"<tr><td>{escaped(name)}</td><td>{escaped(origin)}</td><td>{escaped(effect)}</td></tr>"
        for name, effect, origin in content.parts
    )
    body = f"<p>{escaped(content.sureness)}</p><table>{rows}</table>"
    return _block(content.reader.sentence(words.SURE), body)
