"""The C core allows what docs/wire.md allows and the simulator's front end does, frame by frame."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from bench.firmware.core import CORE, HOST, Reply, Script, build, record_of
from bench.firmware.differ import compare, play
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import AskIdentity, Notice, NoticeCode, Permission, Sample, SetPoint
from simulator.rig_and_truck.setup import nominal

RECORD = record_of(nominal())  # 1 MHz ticks, 500 frames a second, 30 A to zero in 3 s
MS = 1000  # ticks
FRAME = 2000
CLOSED = 3


def test_random_hosts_find_no_difference_to_the_simulators_front_end(core: Path) -> None:
    result = compare(core, frames=4500, seed=1)
    assert result.frames >= 4500
    assert not result.differences, result.first


def held(script: Script, tick: int, current: int = 1000, validity_ms: int = 100) -> None:
    """Open a session and take one set point at `tick`."""
    script.receive(encode(AskIdentity(7)), tick)
    script.receive(encode(SetPoint(7, 1, validity_ms, 0, (current,) * 4)), tick)


def replies(core: Path, script: Script) -> list[Reply]:
    return [reply for reply in script.run(core) if reply.what in "PR"]


@pytest.mark.parametrize("start", [0, 2**32 - 50 * MS, 2**31 - 50 * MS])
def test_permission_ends_at_its_tick_and_not_one_before(core: Path, start: int) -> None:
    script = Script()
    script.boot(RECORD, tick=start)
    held(script, start)
    script.measured((1000,) * 4)
    script.permit(start + 100 * MS - 1, CLOSED)
    script.measured((1000,) * 4)
    script.permit(start + 100 * MS, CLOSED)
    before, after = replies(core, script)[-2:]
    assert before.permission == Permission.HELD
    assert after.permission == Permission.EASING
    (notice,) = Deframer(Direction.FROM_FRONT_END).feed(after.line)
    assert isinstance(notice, Notice)
    assert (notice.code, notice.detail) == (NoticeCode.EASING_BEGAN, 100)


def test_the_time_left_is_rounded_down_to_whole_milliseconds(core: Path) -> None:
    script = Script()
    script.boot(RECORD)
    held(script, 500)
    for tick in (500, 501, 500 + 99 * MS, 500 + 99 * MS + 1, 500 + 100 * MS, 500 + 150 * MS):
        script.sample(tick, CLOSED)
    frames = Deframer(Direction.FROM_FRONT_END).feed(
        b"".join(reply.line for reply in script.run(core))
    )
    left = [frame.permission_left_ms for frame in frames if isinstance(frame, Sample)]
    assert left == [100, 99, 1, 0, 0, 0]


def test_the_ramp_falls_in_a_straight_line_and_ends_at_zero(core: Path) -> None:
    script = Script()
    script.boot(RECORD)
    held(script, 0, current=3000, validity_ms=1)
    for frame in range(1, 1520):
        script.measured((3000,) * 4)
        script.permit(frame * FRAME, CLOSED)
    eased = replies(core, script)[2:]
    for frame, reply in enumerate(eased[:1500]):
        assert reply.set_points[0] == 3000 - 2 * frame
        assert reply.permission == Permission.EASING
    assert {reply.permission for reply in eased[1500:]} == {Permission.NONE}
    assert {reply.set_points for reply in eased[1500:]} == {(0,) * 8}


def test_a_reset_asks_nothing_of_the_supplies_whatever_memory_held(core: Path) -> None:
    script = Script()
    script.boot(RECORD)
    held(script, 0)
    script.boot(RECORD, boot_id=2, cause=1)
    script.measured((1000,) * 4)
    script.permit(0, CLOSED)
    script.receive(encode(SetPoint(7, 2, 100, 3, (1000,) * 4)), 5)
    *_, booted, refused = replies(core, script)
    assert (booted.permission, booted.digital_out) == (Permission.NONE, 0)
    assert booted.set_points == refused.set_points == (0,) * 8


# Each is a small error somebody could make; `old` stands once in the file.
MUTANTS = (
    ("permission.c", "flows ? FE_EASING : FE_NONE", "FE_EASING"),
    ("permission.c", "flows ? FE_EASING : FE_NONE", "FE_NONE"),
    ("permission.c", "(tick - permission->taken_tick) / config->ticks_per_ms}", "0}"),
    ("permission.c", "if (permission->state == FE_HELD) {\n        event", "if (false) {\n event"),
    ("permission.c", "permission->session = session;", ""),
    ("permission.c", "permission->last_set_point = 0;", ""),
    ("permission.c", "permission->heard = false;", ""),
    ("permission.c", "    permission->heard = false;\n    permission->zero_first = false;",
     "    permission->heard = false;"),
    ("permission.c", "permission->session == 0u || ", ""),
    ("permission.c", "fe_get32(content + 1) != permission->session", "false"),
    ("permission.c", "permission->heard && (", "(permission->heard || true) && ("),
    ("permission.c", "newer == 0u || ", ""),
    ("permission.c", "newer >= 0x8000u", "newer > 0x8000u"),
    ("permission.c", "newer >= 0x8000u", "newer >= 0x7FFFu"),
    ("permission.c", "content[10] != config->outputs", "content[10] > config->outputs"),
    ("permission.c", "validity_ms == 0u || ", ""),
    ("permission.c", "validity_ms > FE_MAX_VALIDITY_MS", "validity_ms > 2001u"),
    ("permission.c", "current > config->output[i].ceiling", "current >= config->output[i].ceiling"),
    ("permission.c", "current > config->output[i].ceiling", "false"),
    ("permission.c", "asks = asks || current != 0u;", ""),
    ("permission.c", "asks && permission->zero_first && ", "false && "),
    ("permission.c", " && permission->state != FE_CHAIN_OPEN) {", ") {"),
    ("permission.c", "permission->heard = true;", ""),
    ("permission.c", "permission->last_set_point = fe_get16(content + 5);", ""),
    ("permission.c", "permission->digital_out = content[9];", ""),
    ("permission.c", "return nothing; /* fans follow", "; /* fans follow"),
    ("permission.c", "    permission->zero_first = false;\n    permission->taken_tick",
     "    permission->taken_tick"),
    ("permission.c", "permission->taken_tick = tick;", ""),
    ("permission.c", "tick + fe_get16(content + 7) *", "tick + 1u + fe_get16(content + 7) *"),
    ("permission.c", "permission->state = FE_HELD;", ""),
    ("permission.c", "permission->state = FE_CHAIN_OPEN;", ""),
    ("permission.c", "permission->zero_first = true;", ""),
    ("permission.c", "permission->set_point[i] = 0;", ""),
    ("permission.c", "tick - other < 0x80000000u", "tick > other"),
    ("permission.c", "tick - other < 0x80000000u", "tick >= other"),
    ("permission.c", "if (!chain_closed) {", "if (false) {"),
    ("permission.c", "        permission->state = FE_NONE;\n        break;\n    case FE_HELD",
     "        break;\n    case FE_HELD"),
    ("permission.c", "if (reached(tick, permission->expires_tick)) {\n", "if (false) {\n"),
    ("permission.c", "permission->state != FE_HELD || ", ""),
    ("permission.c", "|| reached(tick, permission->expires_tick)) {\n        return 0;",
     ") {\n        return 0;"),
    ("ramp.c", "(uint32_t)set_point[i] << 16;", "0u;"),
    ("ramp.c", "(uint32_t)set_point[i] << 16;", "(uint32_t)config->output[i].ceiling << 16;"),
    ("ramp.c", "= measured[i];", "= measured[0];"),
    ("ramp.c", "(readings->at + 1u) % FE_READINGS", "0"),
    ("ramp.c", "        readings->held++;", ""),
    ("ramp.c", "readings->held < FE_READINGS", "readings->held < 2"),
    ("ramp.c", "if (readings->held == 1u) {", "if (false) {"),
    ("ramp.c", "return lower(a, b);", "return higher(a, b);"),
    ("ramp.c", "higher(lower(a, b), lower(higher(a, b), c))", "c"),
    ("ramp.c", "higher(lower(a, b), lower(higher(a, b), c))", "lower(a, lower(b, c))"),
    ("ramp.c", "higher(lower(a, b), lower(higher(a, b), c))", "higher(a, higher(b, c))"),
    ("ramp.c", "lower(flowing(readings, i), config->output[i].ramp_from)", "flowing(readings, i)"),
    ("ramp.c", "config->output[i].ramp_from", "config->output[i].ceiling"),
    ("ramp.c", "from >= LEAST_EASED", "from > LEAST_EASED"),
    ("ramp.c", "from >= LEAST_EASED ? from : 0", "from"),
    ("ramp.c", "any = any || set_point[i] > 0u;", ""),
    ("ramp.c", "* 1000u;", "* 1001u;"),
    ("ramp.c", "(uint64_t)output->ramp_from", "(uint64_t)output->ceiling"),
    ("ramp.c", "output->ramp_ms * permit_hz", "output->ramp_ms * 500u"),
    ("ramp.c", "ramp->left[i] > fall ?", "ramp->left[i] > 0u ?"),
    ("ramp.c", "ramp->left[i] - fall", "ramp->left[i] + fall"),
    ("ramp.c", "(uint16_t)(ramp->left[i] >> 16)", "(uint16_t)(ramp->left[i] >> 15)"),
    ("ramp.c", "any || ramp->left[i] > 0u", "any"),
    ("ramp.c", "any || ramp->left[i] > 0u", "ramp->left[i] > 0u"),
)  # fmt: skip


def scripts() -> Iterator[bytes]:
    """What the mutants are tried with: random hosts, and times around 2^32."""
    for trial in range(3):
        yield bytes(play(3, trial)[0].data)
    script = Script()
    for start in (0, 2**32 - 50 * MS, 2**31 - 50 * MS):
        script.boot(RECORD, tick=start)
        held(script, start, 2000)
        for ms in (10, 98, 100, 102, 104):
            script.measured((1500, 2000, 0, 3000))
            script.permit(start + ms * MS, CLOSED)
            script.sample(start + ms * MS, CLOSED)
        script.receive(encode(SetPoint(7, 0x8001, 100, 0, (0,) * 4)), start)
        script.receive(encode(SetPoint(7, 0x8000, 100, 0, (1000,) * 4)), start)
        script.receive(encode(SetPoint(7, 0x8001, 100, 0, (6000,) * 4)), start)
        script.receive(encode(SetPoint(0, 0x8002, 100, 0, (1000,) * 4)), start)
        script.sample(start + 250 * MS, CLOSED)
        script.boot(RECORD, tick=start)
        script.receive(encode(SetPoint(0, 1, 100, 0, (1000,) * 4)), start)
        script.measured((0,) * 4)
        script.permit(start, 2)  # the chain opens and closes, then another session
        script.measured((0,) * 4)
        script.permit(start, CLOSED)
        held(script, start, 2000)
    # Fades from none, one, two and three readings, at and round the least that is eased.
    for readings in ((), (0, 0, 0), (10,), (9, 9, 9), (2000,), (1500, 900), (900, 1500), (5, 2, 9)):
        script.boot(RECORD)
        held(script, 0, 2000)
        for reading in readings:
            script.measured((reading, 10, 0, 0) if reading else ())
        script.permit(100 * MS, CLOSED)
        script.permit(102 * MS, CLOSED)
    yield bytes(script.data)


def outputs(program: Path, inputs: list[bytes]) -> list[bytes]:
    return [
        subprocess.run([program], input=each, capture_output=True, check=False, timeout=120).stdout
        for each in inputs
    ]


class Mutated(NamedTuple):
    """What each mutant is made from and compared with."""

    folder: Path
    objects: list[Path]
    inputs: list[bytes]
    right: list[bytes]


@pytest.fixture(scope="module")
def mutated(tmp_path_factory: pytest.TempPathFactory) -> Mutated:
    folder = tmp_path_factory.mktemp("mutants")
    inputs = list(scripts())
    right = outputs(build(folder / "right", ("-O0",)), inputs)
    rest = [path for path in (*CORE, HOST) if path.name not in ("permission.c", "ramp.c")]
    subprocess.run(["gcc", "-std=c11", "-O0", "-c", *rest], check=True, cwd=folder)
    return Mutated(folder, sorted(folder.glob("*.o")), inputs, right)


PARTS = 8  # so that they can be shared out


@pytest.mark.parametrize("part", range(PARTS))
def test_every_mutant_of_permission_and_ramp_is_caught(mutated: Mutated, part: int) -> None:
    survivors = []
    for name, old, new in MUTANTS[part::PARTS]:
        sources = []
        for path in CORE:
            if path.name not in ("permission.c", "ramp.c"):
                continue
            text = path.read_text()
            if path.name == name:
                assert len(re.findall(re.escape(old), text)) == 1, f"{old!r} in {name}"
                text = text.replace(old, new)
            (mutated.folder / path.name).write_text(text)
            sources.append(mutated.folder / path.name)
        program = mutated.folder / "mutant"
        where = f"-I{CORE[0].parent}"
        command = ["gcc", "-std=c11", "-O0", "-w", where, "-o", program, *sources]
        subprocess.run([*command, *mutated.objects], check=True)
        if outputs(program, mutated.inputs) == mutated.right:
            survivors.append((name, old, new))
    assert not survivors
