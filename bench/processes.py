"""Processes killed, frozen, unplugged, starved of disk, broker and time, over a pseudo-terminal.

Each moment is seeded: the rig is somewhere between parked, taking up load, steady and easing when
something is done to it. Afterwards: no coil carries current longer than it may; what restarts is
parked, or tripped with the cause that is true; the recording has everything but at most its last
second; nothing waits for ever; descriptors, threads and tasks are those of before. Parts: kill and
freeze (each of simulated board, loop, service), plug, disk, broker, clock. `--part` runs one,
`--moments N` N of each. It is real time: with other work on the computer it is only harder.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from bench.support.common import Options, run_bench
from bench.support.shop import LOADED, Counts, Shop, Stuck, stepping_library
from daq.errors import DrumlinError
from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind

PARTS = ("kill", "freeze", "plug", "disk", "broker", "clock")
ROLES = ("board", "loop", "service")
MOMENTS = {"kill": 50, "freeze": 50, "plug": 100, "disk": 5, "broker": 10, "clock": 10}
QUICK = {"kill": 1, "freeze": 1, "plug": 2, "disk": 1, "broker": 1, "clock": 1}
EMPTY_A = 0.6
EASE_S = 3.0  # limits.ease_off_s of the rig
SPARE_S = 4.0  # for this bench to look, on a busy computer
LAST_SECOND_NS = 1_000_000_000
LAPSE_S = 0.1  # a longer freeze under load must end the test, a shorter one must not
MOST_GROWTH = 3


class KillRow(msgspec.Struct):
    """One moment."""

    part: str
    what: str
    before: str = ""  # state when it was done
    current_a: float = 0.0  # of the coil that carried most then
    after: str = ""
    first_cause: str = ""
    lost_s: float = 0.0  # of the recording
    back_s: float = 0.0  # until telemetry came again
    empty_s: float = 0.0  # until no coil carried current
    failures: list[str] = []


class KillSeries:
    """A shop, a chance, and what was seen."""

    def __init__(self, shop: Shop, seed: int) -> None:
        self.shop = shop
        self.chance = random.Random(seed)
        self.rows: list[KillRow] = []
        self.counts: list[Counts] = []
        self.runs: list[str] = []
        self.trips_by_load = 0

    # ---- somewhere in a test

    def somewhere(self) -> str:
        """Go to a random place between parked and easing; the run's id, "" without one.

        A computer so busy that the rig trips on the way is no moment: it is counted and left.
        """
        for _ in range(5):
            run_id = self._on_the_way()
            if self.shop.fresh().get("state") != "tripped":
                break
            self.trips_by_load += 1
            self.shop.unload()
        return run_id

    def _on_the_way(self) -> str:
        shop, chance = self.shop, self.chance
        if chance.random() < 0.12:
            time.sleep(chance.uniform(0.0, 0.5))
            return ""
        shop.roll()
        run_id = shop.begin_load()
        self.runs.append(run_id)
        time.sleep(chance.uniform(0.0, 3.5))
        if chance.random() < 0.2:
            shop.post("/ease-off")
            time.sleep(chance.uniform(0.0, 2.5))
        return run_id

    def moment(self, part: str, what: str, do: Callable[[KillRow, str], None]) -> None:
        """One moment; whatever goes wrong is a failure of its row, and the next one follows."""
        row = KillRow(part, what)
        self.rows.append(row)
        try:
            run_id = self.somewhere()
            row.before = str(self.shop.fresh().get("state", "unknown"))
            row.current_a = self.shop.current_a()
            do(row, run_id)
            state = self.shop.fresh()
            row.after = str(state.get("state", ""))
            row.first_cause = str(state.get("first_cause", ""))
            self.shop.unload()
            self.counts.append(self.shop.counts())
        except Stuck as error:
            row.failures.append(f"stuck: {error}")
            self.mend()
        except (OSError, ValueError, KeyError) as error:
            row.failures.append(f"not measured: {error!r}")
            self.mend()

        print(msgspec.json.encode(row).decode(), file=sys.stderr, flush=True)

    def mend(self) -> None:
        """After a failure: everything runs again, so that the next moment means something."""
        with contextlib.suppress(Stuck, OSError, ValueError, KeyError):
            for role in ROLES:
                number = self.shop.pid(role)
                if number:
                    os.kill(number, signal.SIGCONT)
            if not self.shop.pid("board"):
                self.shop.start_board()
            self.shop.unload()

    # ---- what must hold

    def empties(self, row: KillRow, from_s: float) -> None:
        """No coil carries current longer than the easing takes."""
        self.shop.until("coils without current", lambda: self.shop.current_a() < EMPTY_A, 30.0)
        row.empty_s = time.monotonic() - from_s
        if row.empty_s > EASE_S + SPARE_S:
            row.failures.append(f"current for {row.empty_s:.1f} s")

    def recorded(self, row: KillRow, run_id: str, until_ns: int) -> None:
        """The recording reaches to within a second of `until_ns`, or was closed in order."""
        if not run_id:
            return
        raw = self.shop.data / "runs" / run_id / "raw.drm"
        first = last = 0
        try:
            recording = Recording(raw)
            for record in recording:
                if record.kind in (RecordKind.RX, RecordKind.EVENT):
                    first = first or record.host_ns
                    last = max(last, record.host_ns)
        except (DrumlinError, OSError) as error:
            row.failures.append(f"the recording cannot be read: {error}")
            return
        if recording.health.damaged_blocks or recording.health.missing_blocks:
            row.failures.append("the recording has holes")
        if recording.health.ended or until_ns - (first or until_ns) < LAST_SECOND_NS:
            return
        row.lost_s = max(row.lost_s, (until_ns - last) * 1e-9)
        if until_ns - last > LAST_SECOND_NS:
            row.failures.append(f"{row.lost_s:.2f} s are missing at the recording's end")

    def back(self, row: KillRow, role: str, old: int, since_s: float) -> dict[str, Any]:
        """Wait until the rig is heard again, from another process than `old`."""
        shop = self.shop
        shop.until(f"another {role}", lambda: shop.pid(role) not in (0, old))
        shop.until("fresh telemetry", shop.fresh)
        row.back_s = time.monotonic() - since_s
        return shop.fresh() or shop.state()

    # ---- kill and freeze

    def kill(self, role: str) -> Callable[[KillRow, str], None]:
        def do(row: KillRow, run_id: str) -> None:
            shop = self.shop
            loop = shop.pid("loop")
            old = shop.send(role, signal.SIGKILL)
            began_s, at_ns = time.monotonic(), time.monotonic_ns()
            if role == "board":  # its coils are without supply at once; it comes again by hand
                time.sleep(self.chance.uniform(0.0, 1.5))
                shop.start_board()
            elif role == "loop":
                self.empties(row, began_s)
            state = self.back(row, role, old, began_s)
            self.recorded(row, run_id, at_ns)
            self._state_after(row, role, state)
            if role != "loop" and shop.pid("loop") != loop:
                row.failures.append("the loop was restarted, too")
            if role == "loop" and state.get("state") == "tripped" and self.chance.random() < 0.2:
                self._trip_stays(row, str(state.get("first_cause")))
            if role == "service":
                shop.until("an end", lambda: shop.fresh().get("state") not in LOADED or
                           shop.post("/ease-off") is None)  # fmt: skip
                self.empties(row, time.monotonic())

        return do

    def _state_after(self, row: KillRow, role: str, state: dict[str, Any]) -> None:
        after, cause = state.get("state"), state.get("first_cause")
        under_load = row.before in LOADED
        if row.before == "tripped":  # by the moment before, or by a computer that came late
            if after != "tripped":
                row.failures.append(f"the trip did not stay: {after}")
        elif role == "loop":
            if under_load and (after, cause) != ("tripped", "host-restarted"):
                if row.before == "loaded" or after != "parked":
                    row.failures.append(f"came back {after} ({cause})")
            elif not under_load and after != "parked":
                row.failures.append(f"came back {after}, not parked")
        elif role == "board":
            expected = ("link-lost", "front-end-restarted", "session-lost")
            fits = after in ("parked", "ready", "tripped")
            if row.before == "loaded":
                fits = after == "tripped" and cause in expected
            elif row.before == "ready":  # no load, but a lost link trips there, too
                fits = after in ("parked", "ready") or cause in expected
            elif not under_load:
                fits = after in ("parked", "ready")
            if not fits:
                row.failures.append(f"ended {after} ({cause})")

    def _trip_stays(self, row: KillRow, cause: str) -> None:
        shop = self.shop
        row.what += ", and again while tripped"
        began_s = time.monotonic()
        state = self.back(KillRow("", ""), "loop", shop.send("loop", signal.SIGKILL), began_s)
        if (state.get("state"), state.get("first_cause")) != ("tripped", cause):
            row.failures.append(f"the trip did not stay: {state.get('state')}")

    def freeze(self, role: str) -> Callable[[KillRow, str], None]:
        def do(row: KillRow, run_id: str) -> None:
            shop = self.shop
            short = self.chance.random() < 0.3
            for_s = self.chance.uniform(0.01, 0.06) if short else self.chance.uniform(0.15, 4.0)
            old = shop.pid(role)
            os.kill(old, signal.SIGSTOP)
            began_s = time.monotonic()
            time.sleep(for_s)
            frozen_s = time.monotonic() - began_s  # at least so long, whatever kept this bench
            os.kill(old, signal.SIGCONT)
            row.what = f"{role} {frozen_s * 1e3:.0f} ms"
            shop.until("fresh telemetry", shop.fresh)
            row.back_s = time.monotonic() - began_s
            time.sleep(0.3)
            state = shop.fresh()
            if shop.pid(role) != old:
                row.failures.append(f"the {role} is another one")
            if role != "service" and row.before == "loaded" and frozen_s > LAPSE_S + 0.05:
                if state.get("state") == "loaded":
                    row.failures.append(f"still loaded after {frozen_s:.2f} s")
                self.empties(row, began_s + frozen_s)
            self.recorded(row, run_id, time.monotonic_ns() if state.get("test") else 0)

        return do

    # ---- the others

    def plug(self, row: KillRow, run_id: str) -> None:
        shop = self.shop
        before = int((shop.fresh().get("health") or {}).get("reconnects", 0))
        began_s, at_ns = time.monotonic(), time.monotonic_ns()
        shop.send("cable", signal.SIGUSR1)
        shop.until("the pull", lambda: not shop.link.is_symlink())
        if row.before in LOADED:
            self.empties(row, began_s)
        time.sleep(self.chance.uniform(0.0, 1.0))
        again_s = time.monotonic()
        shop.send("cable", signal.SIGUSR2)
        shop.until("the connection", lambda: shop.fresh().get("health", {})["reconnects"] > before)
        row.back_s = time.monotonic() - again_s
        self.recorded(row, run_id, at_ns)
        state = shop.fresh()
        if row.before == "loaded" and state.get("state") != "tripped":
            row.failures.append(f"ended {state.get('state')}")

    def disk(self, row: KillRow, run_id: str) -> None:
        """Nearly full at first: the test ends in order. Then not a byte is left."""
        shop = self.shop
        ballast = shop.data / "ballast"
        began_s = time.monotonic()
        row.what = "full at once" if self.chance.random() < 0.5 else "full bit by bit"
        try:
            free = os.statvfs(shop.data)
            left = free.f_bavail * free.f_frsize
            _fill(ballast, left - (0 if row.what == "full at once" else 100_000_000))
            if row.before == "loaded":
                shop.until("easing", lambda: shop.fresh().get("state") != "loaded", 20.0)
                self.empties(row, time.monotonic())
            _fill(ballast, 1 << 30)
            time.sleep(2.0)
            state = shop.fresh()
            if not state:
                row.failures.append("no telemetry while the disk is full")
            for path in ("/helm/take", "/acknowledge", "/ready"):
                shop.post(path)
            plan = {"kind": "steady-hold", "speed_mps": 11.0, "seconds": 60.0}
            if shop.post("/test/start", {"plan": plan}):
                row.failures.append("a test could be started with a full disk")
        finally:
            ballast.unlink(missing_ok=True)
        troubles = ("disk-low", "disk-full", "memory-failed", "recorder-failed")
        shop.until("room", lambda: not _active(shop.fresh(), *troubles), 30.0)
        row.back_s = time.monotonic() - began_s
        self.recorded(row, run_id, 0)

    def broker(self, row: KillRow, run_id: str) -> None:
        shop = self.shop
        frames = _frames(shop)
        hard = self.chance.random() < 0.5
        row.what = "killed" if hard else "frozen"
        number = shop.send("broker", signal.SIGKILL if hard else signal.SIGSTOP)
        began_s = time.monotonic()
        time.sleep(self.chance.uniform(0.5, 6.0))
        asked_s = time.monotonic()
        if not shop.fresh():
            row.failures.append("no telemetry without a broker")
        row.back_s = time.monotonic() - asked_s
        if hard:
            shop.start_broker()
        else:
            os.kill(number, signal.SIGCONT)
        health: dict[str, Any] = {}

        def connected() -> bool:
            health.update(shop.ask("/api/health"))
            return bool((health.get("mqtt") or {}).get("connected"))

        shop.until("the broker", connected)
        self._unmoved(row, frames, began_s)

    def clock(self, row: KillRow, run_id: str) -> None:
        shop = self.shop
        frames = _frames(shop)
        began_s = time.monotonic()
        hours = self.chance.choice((-1, 1))
        row.what = f"{hours:+d} h"
        shop.step_clock(hours * 3600)
        time.sleep(2.0)
        said = shop.ask("/api/audit?limit=1")["entries"]
        self._unmoved(row, frames, began_s)
        shop.step_clock(0)
        time.sleep(1.0)
        self._unmoved(row, frames, began_s)
        if not said:
            row.failures.append("the audit log is empty")

    def _unmoved(self, row: KillRow, frames: tuple[int, int], began_s: float) -> None:
        """The loop took no notice: frames came, none was lost, a load is still on."""
        now = _frames(self.shop)
        took_s = time.monotonic() - began_s
        row.lost_s = max(row.lost_s, (now[1] - frames[1]) / 500.0)
        if now[1] - frames[1] > 500:
            row.failures.append(f"{now[1] - frames[1]} frames were lost")
        if now[0] - frames[0] < 400.0 * took_s - 500.0:
            row.failures.append("frames did not come")
        if row.before == "loaded" and self.shop.fresh().get("state") != "loaded":
            row.failures.append(f"the test ended: {self.shop.fresh().get('state')}")


def _frames(shop: Shop) -> tuple[int, int]:
    shop.until("frames", shop.fresh)
    health = shop.fresh()["health"]
    return int(health["frames"]), int(health["frames_lost"])


def _active(state: dict[str, Any], *codes: str) -> bool:
    if not state:
        return True
    return any(fault["active"] and fault["code"] in codes for fault in state["faults"] or ())


def _fill(path: Path, size: int) -> None:
    with contextlib.suppress(OSError), path.open("ab") as file:
        block = bytes(1 << 20)
        for _ in range(max(0, size) >> 20):
            file.write(block)
        file.flush()


def growth(counts: list[Counts]) -> dict[str, int]:
    """Median of the last third less median of the first third, by process and kind."""
    found: dict[str, int] = {}
    for name in sorted({name for each in counts for name in each}):
        values = [each[name] for each in counts if name in each]
        third = max(1, len(values) // 3)
        found[name] = round(statistics.median(values[-third:]) - statistics.median(values[:third]))
    return found


def closed(shop: Shop, runs: list[str]) -> tuple[list[str], int]:
    """Runs that the service does not get through in a while, or could not make anything of.

    And how many were killed before anything was on disk: within the second that may be lost.
    """
    left = list(runs)
    cut: set[str] = set()

    def ended(run: str) -> bool:
        told = shop.ask(f"/api/runs/{run}")
        if told["state"] == "failed" and "cut off at its very start" in told["reason"]:
            cut.add(run)
        return told["state"] in ("closed", "interrupted") or run in cut

    def done() -> bool:
        left[:] = [run for run in left if not ended(run)]
        return not left

    counts = [len(left) + 1]

    def goes_on() -> bool:
        return done() or len(left) < counts[-1]

    while left and len(left) < counts[-1]:  # a busy computer takes its time for each
        counts.append(len(left))
        with contextlib.suppress(Stuck):
            shop.until("another closed run", goes_on, 120.0)
    told = [shop.ask(f"/api/runs/{run}") for run in left]
    return [f"{one['id']} ({one['state']}): {one['reason']}" for one in told], len(cut)


def run_part(shop: Shop, part: str, seed: int, moments: int) -> KillSeries:
    """One part's moments."""
    campaign = KillSeries(shop, seed)
    for number in range(moments):
        if part in ("kill", "freeze"):
            for role in ROLES:
                do = campaign.kill(role) if part == "kill" else campaign.freeze(role)
                campaign.moment(part, role, do)
        else:
            campaign.moment(part, f"{part} {number}", getattr(campaign, part))
    return campaign


def measure(options: Options) -> dict[str, Any]:
    """All parts, or one. Quick: all in one shop, a moment or two of each."""
    began_s = time.monotonic()
    usual = QUICK if options.quick else MOMENTS
    wanted = [options.part] if options.part else list(PARTS)
    left_out: list[str] = []
    if not stepping_library():
        wanted = [part for part in wanted if part != "clock"]
        left_out.append("clock: libfaketime is not installed, and the computer's own clock stays")
    shops = [wanted] if options.quick else [[part] for part in wanted]
    rows: list[KillRow] = []
    grown: dict[str, dict[str, int]] = {}
    unclosed: list[str] = []
    cut_at_start = 0
    trips_by_load = 0
    for parts in shops:
        with Shop(
            cable="plug" in parts, disk="disk" in parts, broker="broker" in parts,
            clock="clock" in parts,
        ) as shop:  # fmt: skip
            shop.zero()
            counts: list[Counts] = []
            runs: list[str] = []
            for part in parts:
                if part == "disk" and not shop.small_disk:
                    left_out.append("disk: no small disk could be mounted")
                    continue
                done = run_part(shop, part, options.seed, options.moments or usual[part])
                rows += done.rows
                counts += done.counts
                runs += done.runs
                trips_by_load += done.trips_by_load
            left, cut = closed(shop, runs)
            unclosed += left
            cut_at_start += cut
            if counts:
                grown["+".join(parts)] = growth(counts)
    failed = [row for row in rows if row.failures]
    most = max((value for each in grown.values() for value in each.values()), default=0)
    return {
        "part": options.part,
        "moments": len(rows),
        "failures": len(failed) + len(unclosed) + (most > MOST_GROWTH),
        "runs_not_closed": unclosed,
        "runs_cut_at_start": cut_at_start,
        "trips_by_load": trips_by_load,
        "worst_lost_s": max((row.lost_s for row in rows), default=0.0),
        "worst_back_s": max((row.back_s for row in rows), default=0.0),
        "worst_empty_s": max((row.empty_s for row in rows), default=0.0),
        "most_growth": most,
        "growth": grown,
        "left_out": left_out,
        "by_part": {
            part: {
                "moments": sum(row.part == part for row in rows),
                "failures": sum(row.part == part and bool(row.failures) for row in rows),
            }
            for part in PARTS
        },
        "failed": [msgspec.to_builtins(row) for row in failed],
        "rows": [msgspec.to_builtins(row) for row in rows],
        "wall_s": time.monotonic() - began_s,
    }


if __name__ == "__main__":
    run_bench("processes", measure, parts=PARTS)
