"""Is the gate, is each watcher tested? Small changes to their source must turn the tests red.

Every mutant changes one place of control/safety/gate.py, faults.py, watch.py, screen.py or
surroundings.py: a comparison gets the other edge or the other way, plus becomes minus, a number
changes, `and` becomes `or`, `min` becomes `max`, a `not` goes. The tests run on the mutated source
in a fork of their own; nothing in the tree is touched. A mutant that no test notices is a
survivor, named with its line. Mutants that cannot change anything are listed in EQUIVALENT with the
reason. `--part N` runs the N-th sixteen of them.

To be quick, the program is loaded once; a fork forgets the mutated module and all that import it.
The quickest tests come first, as they were on the untouched source, which must pass the same way.
"""

from __future__ import annotations

import ast
import copy
import functools
import importlib.abc
import importlib.util
import io
import json
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType
from typing import Any

from bench.support.common import Options, run_bench

ROOT = Path(__file__).parent.parent
TESTS: dict[str, tuple[str, ...]] = {
    "control.safety.gate": (
        "tests/control/safety/test_gate.py",
        "tests/control/core/test_states.py",
    ),
    "control.safety.faults": ("tests/control/safety/test_faults.py",),
    "control.safety.fault_detection": (
        "tests/control/safety/test_fault_detection_edges.py",
        "tests/control/safety/test_faults.py",
        "tests/control/safety/test_fault_detection.py",
    ),
    "control.safety.fault_kernel": ("tests/control/safety/test_fault_detection.py",),
    "control.safety.surroundings": (
        "tests/control/safety/test_fault_detection.py",
        "tests/control/safety/test_fault_detection_edges.py",
    ),
}
OPTIONS = (
    "-x", "-q", "--hypothesis-seed=1", "--assert=plain", "-p", "no:cacheprovider",
    "-p", "no:schemathesis", "-p", "no:anyio",
)  # fmt: skip
QUICK = 6  # mutants of a quick run
PIECE = 16  # mutants of one part
PIECES = tuple(str(number + 1) for number in range(25))
LONGEST_S = 90  # a mutant that hangs is noticed too

_FLIPS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip

# (module, code before -> after) and, where that stands in several lines, the line:
# why nothing can tell the difference.
EQUIVALENT: dict[tuple[str, ...], str] = {
    ("control.safety.gate", "ask > 0.0 -> ask >= 0.0", "ask = most if ask > 0.0 else 0.0"): (
        "only what is no current comes there, and 0 is one"
    ),
    ("control.safety.gate", "spent > dt_s -> spent >= dt_s"): "both give 0 at equality",
    ("control.safety.gate", "request.dt_s > 0.0 -> request.dt_s >= 0.0"): "both give 0 at 0",
    ("control.safety.gate", "request.dt_s < LONGEST_STEP_S -> request.dt_s <= LONGEST_STEP_S"): (
        "both give the longest step at equality"
    ),
    ("control.safety.gate", "1000.0 * UNSEEN_A -> 1000.0 / UNSEEN_A"): "UNSEEN_A is 1 A",
    ("control.safety.gate", "measured < coil -> measured <= coil"): "both are the same current",
    (
        "control.safety.fault_detection",
        "off > CLOCK_JUMP_S -> off >= CLOCK_JUMP_S",
    ): "a measured time",
    (
        "control.safety.fault_detection",
        "off < -CLOCK_JUMP_S -> off <= -CLOCK_JUMP_S",
    ): "a measured time",
    (
        "control.safety.fault_detection",
        "LOST_SHARE * LOST_WINDOW_S -> LOST_SHARE / LOST_WINDOW_S",
    ): "the window is 1 s",
    (
        "control.safety.fault_detection",
        "left_s <= 0.0 -> left_s < 0.0",
    ): "a doubt of 0 s counts as none",
    (
        "control.safety.fault_detection",
        "left_s >= DOUBT_S -> left_s > DOUBT_S",
    ): "a sum of many frame times",
    (
        "control.safety.fault_detection",
        "set(PERSISTENCE_S) | {code for _, code, _ in _CODES} <= set(TABLE) -> "
        "set(PERSISTENCE_S) | {code for _, code, _ in _CODES} < set(TABLE)",
    ): "other modules have rows of the table, too",
    (
        "control.safety.fault_kernel",
        "state[5, i] > (NOISE_SHARE + NOISE_SHARE_PER_S * dt) * capacity_n[i] -> "
        "state[5, i] >= (NOISE_SHARE + NOISE_SHARE_PER_S * dt) * capacity_n[i]",
    ): "a mean of measured steps",
    (
        "control.safety.gate",
        "surge * validity_ms > 1000.0 * UNSEEN_A -> surge * validity_ms >= 1000.0 * UNSEEN_A",
    ): "at equality both give the usual validity",
}


def sites(tree: ast.Module) -> Iterator[tuple[ast.AST, str, Any]]:
    """(node, what, how) of every possible mutant; annotations and docstrings are left alone."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            if ast.unparse(node.left) == "__name__":
                continue  # the door of a command
            for other in _FLIPS.get(type(node.ops[0]), ()):
                yield node, "compare", other
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub | ast.Mult):
            swapped = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div}[type(node.op)]
            yield node, "operator", swapped
        elif isinstance(node, ast.BoolOp):
            yield node, "bool", ast.Or if isinstance(node.op, ast.And) else ast.And
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield node, "not", None
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            if node.func.id in ("min", "max"):
                yield node, "extreme", "max" if node.func.id == "min" else "min"
        elif isinstance(node, ast.Constant) and type(node.value) is float and node.value != 0.0:
            yield node, "number", node.value * 1.6


def mutant(source: str, number: int) -> tuple[str, int, str]:
    """Source of mutant `number`, its line, and what changed."""
    tree = ast.parse(source)
    for place, (node, what, how) in enumerate(sites(tree)):
        if place != number:
            continue
        before = ast.unparse(copy.deepcopy(node))
        changed: Any = node
        if what == "compare":
            changed.ops = [how()]
        elif what in ("operator", "bool"):
            changed.op = how()
        elif what == "not":
            changed.op = ast.UAdd()
            changed.operand = ast.Call(ast.Name("bool", ast.Load()), [changed.operand], [])
        elif what == "extreme":
            changed.func = ast.Name(how, ast.Load())
        else:
            changed.value = how
        ast.fix_missing_locations(tree)
        line = int(getattr(node, "lineno", 0))
        return ast.unparse(tree), line, f"{before} -> {ast.unparse(changed)}"
    raise IndexError(number)


def known_equivalent(name: str, source: str, line: int, change: str) -> bool:
    """Is this mutant in EQUIVALENT?"""
    text = source.splitlines()[line - 1].partition("#")[0].strip()
    return (name, change) in EQUIVALENT or (name, change, text) in EQUIVALENT


class _Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module's mutated source in place of its file."""

    def __init__(self, name: str, source: str) -> None:
        self._name, self._source = name, source

    def find_spec(self, fullname: str, *_: Any) -> ModuleSpec | None:
        if fullname != self._name:
            return None
        path = str(ROOT / (fullname.replace(".", "/") + ".py"))
        return importlib.util.spec_from_file_location(fullname, path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self._source, module.__name__, "exec"), module.__dict__)


_forgotten: list[object] = []  # not let go: a kernel of the parent cannot be taken down in a fork


class _Timer:
    """As a plugin of the tests: the quickest first; `took` is filled with what each took, s."""

    def __init__(self, took: dict[str, float]) -> None:
        self.took = dict(took)
        self._before = took

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items.sort(key=lambda item: self._before.get(item.nodeid, 0.0))

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.took[report.nodeid] = self.took.get(report.nodeid, 0.0) + report.duration


def load_once() -> None:
    """Load the program and its kernels, so that no fork does."""
    import hypothesis  # noqa: F401, PLC0415
    import psutil  # noqa: F401, PLC0415
    import pytest  # noqa: F401, PLC0415

    from api.runtime.warm_up import warm_up  # noqa: PLC0415
    from daq.rig.description import load_rig  # noqa: PLC0415

    warm_up(load_rig(ROOT / "rigs" / "tarnhow.toml"))
    for path in ROOT.glob("control/**/*.py"):
        importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))


def _imports(module: ModuleType) -> set[str]:
    """Names of the modules that a module of ours may have taken something from."""
    path = Path(getattr(module, "__file__", None) or "")
    if not path.is_relative_to(ROOT) or path.suffix != ".py":
        return set()
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {each.name for each in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{each.name}" for each in node.names)}
    return found


@functools.cache
def dependents(name: str) -> frozenset[str]:
    """The module and every loaded one that imports it, directly or not; none of this bench."""
    needs = {each: _imports(module) for each, module in list(sys.modules.items())}
    found = {name}
    while more := {each for each, wanted in needs.items() if wanted & found} - found:
        found |= more
    return frozenset(each for each in found if not each.startswith(("bench", "__main__")))


def _forget(names: frozenset[str]) -> None:
    for name in names:
        _forgotten.append(sys.modules.pop(name, None))
        package, _, last = name.rpartition(".")
        if package in sys.modules and hasattr(sys.modules[package], last):
            delattr(sys.modules[package], last)


def run_mutant(name: str, source: str, took: dict[str, float]) -> str:
    """ "killed", "survived", "hung" or "crashed", from a fork; `took` gets what the tests took."""
    loaded = dependents(name)
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        signal.setitimer(signal.ITIMER_PROF, LONGEST_S)  # its own time: others may be busy, too
        status = 3
        try:
            os.close(reading)
            _forget(loaded)
            # A kernel's cache knows only the file: a mutated one is compiled anew, and not kept.
            compiled = source.replace("@jit\n", "@__import__('numba').njit\n")
            sys.meta_path.insert(0, _Finder(name, compiled))
            import pytest  # noqa: PLC0415

            timer = _Timer(took)
            with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
                status = pytest.main([*OPTIONS, *TESTS[name]], plugins=[timer])
            os.write(writing, json.dumps(timer.took).encode())
        except BaseException:  # a mutant that cannot even be imported is noticed
            status = 1
        finally:
            os._exit(min(int(status), 100))
    os.close(writing)
    with os.fdopen(reading, "rb") as file:
        written = file.read()
    _, told = os.waitpid(child, 0)
    if os.WIFSIGNALED(told):
        # A kernel that writes beyond its rows takes its process down: red like any failure.
        return "hung" if os.WTERMSIG(told) == signal.SIGPROF else "crashed"
    if os.WEXITSTATUS(told) != 0:
        return "killed"
    took.update(json.loads(written))
    return "survived"


def measure(options: Options) -> dict[str, Any]:
    """All mutants; a seeded sample of them when quick or `DRUMLIN_MUTANTS=N` says so."""
    began_s = time.perf_counter()
    os.chdir(ROOT)
    load_once()
    every: list[tuple[str, int]] = []
    sources: dict[str, str] = {}
    for name in TESTS:
        sources[name] = (ROOT / (name.replace(".", "/") + ".py")).read_text(encoding="utf-8")
        every += [(name, n) for n in range(sum(1 for _ in sites(ast.parse(sources[name]))))]
    most = int(os.environ.get("DRUMLIN_MUTANTS", QUICK if options.quick else len(every)))
    chosen = random.Random(options.seed).sample(every, min(most, len(every)))
    if options.quick or most < len(every):
        chosen.sort()
    else:
        chosen = every
    if options.part:
        first = (int(options.part) - 1) * PIECE
        chosen = every[first : first + PIECE]
    took: dict[str, dict[str, float]] = {name: {} for name in TESTS}
    for name in sorted({one[0] for one in chosen}):
        # The untouched source must pass, or nothing is proved.
        if run_mutant(name, sources[name], took[name]) != "survived":
            raise RuntimeError(f"the tests of {name} fail without a mutant")
    survivors: list[dict[str, Any]] = []
    counts = dict.fromkeys(("killed", "survived", "hung", "crashed", "equivalent"), 0)
    for name, number in chosen:
        source, line, change = mutant(sources[name], number)
        outcome = run_mutant(name, source, took[name])
        if outcome == "survived" and known_equivalent(name, sources[name], line, change):
            outcome = "equivalent"
        counts[outcome] += 1
        if outcome == "survived":
            survivors.append({"module": name, "line": line, "change": change})
            print(f"survivor: {name}:{line}: {change}", file=sys.stderr, flush=True)
    return {
        "part": options.part,
        "mutants": len(chosen),
        "of": len(every),
        **counts,
        "survivors": survivors,
        "wall_s": time.perf_counter() - began_s,
    }


if __name__ == "__main__":
    run_bench("mutants", measure, parts=PIECES)
