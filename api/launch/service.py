"""The service process: HTTP, WebSocket, MQTT, page and run store under uvicorn.

Data flows: command line -> Settings -> api.http.app. It may die or be restarted at any time; the
loop process notices no more than an expired helm.
"""

from __future__ import annotations

import sys

from api.http.app import make_server
from api.launch.listener import run

if __name__ == "__main__":
    sys.exit(run("service", make_server))
