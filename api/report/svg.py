"""Drawings as inline SVG. Data flow: Drawing -> one <svg> element as text, nothing fetched."""

from __future__ import annotations

from html import escape

from api.report.drawing import Area, Dot, Drawing, Point, Polyline, Text
from daq.plain_text import visible


def escaped(text: str) -> str:
    """Text for HTML and SVG: no markup, and nothing that commands a terminal."""
    return escape(visible(text), quote=True)


def svg_of(drawing: Drawing) -> str:
    """The drawing as an <svg> element that scales to its container."""
    parts = [
        f'<svg viewBox="0 0 {drawing.width:g} {drawing.height:g}" role="img" '
        f'aria-label="{escaped(drawing.describes)}" xmlns="http://www.w3.org/2000/svg">'
    ]
    for shape in drawing.shapes:
        match shape:
            case Polyline(points, width, colour, dash):
                dashed = f' stroke-dasharray="{dash[0]:g} {dash[1]:g}"' if dash else ""
                parts.append(
                    f'<polyline points="{_points(points)}" fill="none" stroke="{colour}" '
                    f'stroke-width="{width:g}" stroke-linejoin="round"{dashed}/>'
                )
            case Area(points, fill):
                parts.append(f'<polygon points="{_points(points)}" fill="{fill}"/>')
            case Dot(at, radius, fill):
                parts.append(
                    f'<circle cx="{at[0]:.2f}" cy="{at[1]:.2f}" r="{radius:g}" fill="{fill}"/>'
                )
            case Text(at, text, size, bold, colour, anchor):
                weight = ' font-weight="600"' if bold else ""
                parts.append(
                    f'<text x="{at[0]:.2f}" y="{at[1]:.2f}" font-size="{size:g}" fill="{colour}" '
                    f'text-anchor="{anchor}"{weight}>{escaped(text)}</text>'
                )
    parts.append("</svg>")
    return "".join(parts)


def _points(points: tuple[Point, ...]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
