"""From sample frame to set point, seen from outside at the serial device, in two forms.

`two_process`: the loop process and the service process as `drumlin serve` runs them.
`one_process`: the same core on the service's own event loop. In both a truck is held under load,
ten viewers take telemetry at 50 Hz and the service draws reports in a thread, while a feeder in a
process of its own times every frame at 500 frames/s over a pseudo-terminal.
"""

from __future__ import annotations

from typing import Any

from bench.loop.form import VIEWER_HZ, VIEWERS, form
from bench.support.common import Options, run_bench


def measure(options: Options) -> dict[str, Any]:
    """Both forms, one after the other, in one run."""
    seconds = 5.0 if options.quick else 60.0
    two = form("outside", seconds, options.seed)
    one = form("inside", seconds, options.seed)
    return {
        "two_process": two,
        "one_process": one,
        "ratio_p999": one["p999_ms"] / two["p999_ms"],
        "lost_frames": two["lost_frames"],
        "seconds": seconds,
        "viewers": VIEWERS,
        "viewer_hz": VIEWER_HZ,
    }


if __name__ == "__main__":
    run_bench("loop", measure)
