"""Fifty viewers and two hundred requests a second: does the loop notice?

Frames are timed from outside as bench.loop does, in two processes as `drumlin serve` runs them:
once before nobody, once before 50 WebSockets at 20 Hz, ten of which never read, and 200 requests a
second. No report is drawn in either. `ratio_p999` is the second's 99.9th percentile over the
first's; `rss_growth_mb` is what the service's memory grew by before the crowd.
"""

from __future__ import annotations

import statistics
from typing import Any

from bench.loop.form import Crowd, form
from bench.support.common import Options, run_bench

CROWD = Crowd(viewers=50, hz=20.0, silent=10, requests_hz=200.0, reports=False)
NOBODY = Crowd(viewers=0, reports=False)
ROUNDS = 2  # of both, turn by turn: the computer's own moods cancel


def measure(options: Options) -> dict[str, Any]:
    """Without and with, turn by turn."""
    seconds = 4.0 if options.quick else 30.0
    without: list[dict[str, Any]] = []
    crowded: list[dict[str, Any]] = []
    for number in range(1 if options.quick else ROUNDS):
        without.append(form("outside", seconds, options.seed + number, NOBODY))
        crowded.append(form("outside", seconds, options.seed + number, CROWD))
    before = statistics.median(one["p999_ms"] for one in without)
    after = statistics.median(one["p999_ms"] for one in crowded)
    return {
        "ratio_p999": after / before,
        "rss_growth_mb": max(one["service_rss_growth_mb"] for one in crowded),
        "without_p999_ms": before,
        "with_p999_ms": after,
        "without": without,
        "with": crowded,
        "viewers": CROWD.viewers,
        "silent": CROWD.silent,
        "viewer_hz": CROWD.hz,
        "requests_hz": CROWD.requests_hz,
        "seconds": seconds,
    }


if __name__ == "__main__":
    run_bench("viewers", measure)
