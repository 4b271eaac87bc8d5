"""`python -m simulator`: the demo rig and truck behind a pseudo-terminal, until told to stop.

`python -m simulator --link PATH` runs it; `python -m simulator tell pedal 80 --driver-port N`
tells the driver of a running one what to do; `python -m simulator compile` compiles its kernels.
"""

from __future__ import annotations

import sys


def main() -> int:
    """Run the rig, tell the driver of a running one, or compile what a run needs."""
    arguments = sys.argv[1:]
    # Imported late: telling must not wait for the compiler that running needs.
    if arguments[:1] == ["tell"]:
        from simulator.telling import tell  # noqa: PLC0415

        return tell(arguments[1:])
    if arguments == ["compile"]:
        from simulator.plant import Plant  # noqa: PLC0415

        Plant.warm_up()
        return 0
    from simulator.running import run  # noqa: PLC0415

    return run(arguments)


if __name__ == "__main__":
    raise SystemExit(main())
