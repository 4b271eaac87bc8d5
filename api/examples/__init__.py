"""What is shipped to begin with: the demo's rig file, a plan of each kind, routes.

In a checkout `rigs` and `plans` at the top are links to here.
"""

from __future__ import annotations

from pathlib import Path

EXAMPLES = Path(__file__).parent
DEMO_RIG = EXAMPLES / "rigs" / "tarnhow.toml"
PLANS = EXAMPLES / "plans"
