"""After the warm-up nothing compiles while a truck is loaded: that would stop the loop."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
# In a process of its own: here the other tests have compiled everything long ago.
LOADED_AFTER_WARM_UP = """
import json, sys
from pathlib import Path
from api.runtime.warm_up import warm_up
from control.core.commands import StartTest
from control.test_kinds.plans import SteadyHold
from daq.rig.description import load_rig

def compiled():
    return {
        f"{module.__name__}.{name}": len(value.signatures)
        for module in list(sys.modules.values())
        if getattr(module, "__name__", "").startswith(("daq.", "control."))
        for name, value in vars(module).items()
        if hasattr(value, "signatures") and hasattr(value, "py_func")
    }

warm_up(load_rig(Path("rigs/tarnhow.toml")))
before = compiled()
from bench.support.recorded import HOLDER, approach, ready_rig

virtual = ready_rig(1)
approach(virtual, 20.0)
virtual.ask(StartTest(0, HOLDER, "run", SteadyHold(seconds=60.0, speed_mps=20.0)))
virtual.plant.driver.tell(pedal=1.0)
virtual.advance_for(6.0)
loaded = virtual.core.state.value
virtual.plant.driver.tell(pedal=0.0, brake=0.3)
virtual.settle(4.0)  # looks at how the rotors cool
after = compiled()
late = [name for name in after if after[name] > before.get(name, 0)]
print(json.dumps({"state": loaded, "kernels": len(before), "late": late}))
"""


def test_nothing_compiles_under_load_that_the_warm_up_has_not_run() -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOADED_AFTER_WARM_UP],
        cwd=ROOT, check=True, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["state"] == "loaded"
    assert told["kernels"] > 40
    assert told["late"] == []
