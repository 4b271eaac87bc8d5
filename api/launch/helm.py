"""The helm process: easing off, heartbeat, helm and state, beside the service and not behind it.

Data flows: command line -> Settings -> api.http.lane. It may die or be restarted like the service;
the page then goes by the service until it is back.
"""

from __future__ import annotations

import sys

from api.http.lane import make_lane
from api.launch.listener import run

if __name__ == "__main__":
    sys.exit(run("helm", make_lane))
