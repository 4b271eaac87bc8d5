"""Draws what bench.tradeoff found: its JSON on standard input, an SVG on standard output."""

from __future__ import annotations

import json
import math
import sys
from typing import Any

WIDTH, HEIGHT, LEFT, TOP = 760, 420, 70, 30
COLOURS = {30.0: "#b0451b", 100.0: "#1b5fb0"}
AIM_SHARE = 0.02  # standard deviation of a set point, of the ceiling


def svg(points: list[dict[str, Any]]) -> str:
    """Peak of the speed over the set points' standard deviation, one colour a speed."""
    shares = [max(100.0 * one["set_point_sd_share"], 0.05) for one in points]
    low, high = math.log10(0.8 * min(shares)), math.log10(1.3 * max(shares))
    top = 1.15 * max(float(one["peak_pct"]) for one in points)

    def x(share_pct: float) -> float:
        return LEFT + (math.log10(share_pct) - low) / (high - low) * (WIDTH - LEFT - 150)

    def y(peak_pct: float) -> float:
        return TOP + (1.0 - peak_pct / top) * (HEIGHT - TOP - 60)

    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<path d="M{LEFT} {TOP}V{HEIGHT - 60}H{WIDTH - 150}" fill="none" stroke="black"/>',
        f'<path d="M{x(100.0 * AIM_SHARE):.0f} {TOP}V{HEIGHT - 60}" stroke="grey" '
        'stroke-dasharray="4"/>',
        f'<text x="{x(100.0 * AIM_SHARE) + 4:.0f}" y="{TOP + 10}">aim: 2 %</text>',
        f'<text x="{LEFT}" y="{HEIGHT - 14}">set points in a steady hold, standard deviation, '
        "% of the ceiling (log)</text>",
        f'<text x="8" y="{TOP - 10}">peak of the speed after a pedal drop, %</text>',
    ]
    for share in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0):
        if low <= math.log10(share) <= high:
            lines.append(f'<text x="{x(share) - 8:.0f}" y="{HEIGHT - 42}">{share:g}</text>')
    for k in range(1, 5):
        peak = top * k / 5.0
        lines.append(f'<text x="24" y="{y(peak) + 4:.0f}">{peak:.3f}</text>')
    names = list(dict.fromkeys(one["setting"] for one in points))
    for k, name in enumerate(names):  # the points carry numbers: names beside them would overlap
        line_y = TOP + 16 * (k + 1)
        lines.append(f'<text x="{WIDTH - 140}" y="{line_y}">{k + 1} {name}</text>')
    for kmh, colour in COLOURS.items():
        line_y = TOP + 16 * (len(names) + 1 + list(COLOURS).index(kmh))
        lines.append(
            f'<text x="{WIDTH - 140}" y="{line_y}" fill="{colour}">at {kmh:.0f} km/h</text>'
        )
    ordered = sorted(zip(points, shares, strict=True), key=lambda pair: pair[1])
    for k, (one, share) in enumerate(ordered):
        colour = COLOURS[one["speed_kmh"]]
        size = 6 if one["setting"] == "chosen" else 3
        at_x, at_y = x(share), y(one["peak_pct"])
        lines.append(f'<circle cx="{at_x:.0f}" cy="{at_y:.0f}" r="{size}" fill="{colour}"/>')
        number, beside = names.index(one["setting"]) + 1, -10 if k % 2 else 20
        lines.append(f'<text x="{at_x - 3:.0f}" y="{at_y + beside:.0f}">{number}</text>')
    return "\n".join([*lines, "</svg>"]) + "\n"


if __name__ == "__main__":
    sys.stdout.write(svg(json.load(sys.stdin)["points"]))
