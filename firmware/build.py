"""Builds the front end's image: `python firmware/build.py OUT`, the same bytes each time.

OUT gets front-end.elf, front-end.bin (what stands in flash), front-end.uf2 (for the chip's own USB
boot drive) and front-end.json (sizes). The cross compiler is gcc-arm-none-eabi.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from daq.front_end.image import FLASH_START, uf2  # noqa: E402

PREFIX = "arm-none-eabi-"
BOOT2_ROOM = 252
FLAGS = (
    "-mcpu=cortex-m0plus", "-mthumb", "-std=c11", "-O2", "-g", "-ffreestanding",
    "-fno-tree-loop-distribute-patterns", "-ffunction-sections", "-fno-common",
    "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Wundef", "-Werror", "-Wno-main",
    f"-ffile-prefix-map={HERE}=.", f"-I{HERE / 'core'}",
)  # fmt: skip


class BuildFailed(Exception):
    """The image was not made; the message is what the compiler said."""


def _run(tool: str, *arguments: object) -> str:
    try:
        done = subprocess.run(
            [PREFIX + tool, *map(str, arguments)], capture_output=True, text=True, check=False
        )
    except FileNotFoundError:
        raise BuildFailed(
            f"{PREFIX}{tool} was not found. On Debian: apt-get install gcc-arm-none-eabi"
        ) from None
    if done.returncode:
        raise BuildFailed(done.stderr)
    return done.stdout


def boot2(out: Path) -> bytes:
    """The second boot stage and the CRC the ROM asks for (0x04C11DB7, not reflected)."""
    _run("gcc", "-c", HERE / "rp2040" / "boot2.S", "-o", out / "boot2.o")
    _run("objcopy", "-O", "binary", "-j", ".text", out / "boot2.o", out / "boot2.bin")
    code = (out / "boot2.bin").read_bytes()
    if len(code) > BOOT2_ROOM:
        raise BuildFailed(f"boot2 has {len(code)} bytes, {BOOT2_ROOM} are allowed.")
    code = code.ljust(BOOT2_ROOM, b"\0")
    crc = 0xFFFFFFFF
    for byte in code:
        crc ^= byte << 24
        for _ in range(8):
            crc = ((crc << 1) ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return code + crc.to_bytes(4, "little")


def build(out: Path) -> dict[str, int]:
    """Build into `out`; sizes in bytes. Raises BuildFailed."""
    out.mkdir(parents=True, exist_ok=True)
    (out / "boot2.inc").write_text(",".join(map(str, boot2(out))))
    sources = sorted([*(HERE / "core").glob("*.c"), *(HERE / "rp2040").glob("*.c")])
    elf, image = out / "front-end.elf", out / "front-end.bin"
    _run(
        "gcc", *FLAGS, f"-I{out}", "-nostdlib", "-T", HERE / "rp2040" / "link.ld",
        "-Wl,--gc-sections,--no-warn-rwx-segments", "-o", elf, *sources, "-lgcc",
    )  # fmt: skip
    _run("objcopy", "-O", "binary", "-j", ".boot2", "-j", ".start", "-j", ".image", elf, image)
    symbols = {
        name: int(value, 16)
        for value, _, name in (line.split() for line in _run("nm", elf).splitlines())
    }
    sizes = {
        "flash_bytes": image.stat().st_size,
        "ram_bytes": symbols["ram_end"] - symbols["image_start"],
    }
    (out / "front-end.uf2").write_bytes(uf2(image.read_bytes(), FLASH_START))
    (out / "front-end.json").write_text(json.dumps(sizes))
    return sizes


if __name__ == "__main__":
    try:
        print(json.dumps(build(Path(sys.argv[1]))))
    except BuildFailed as failure:
        print(failure, file=sys.stderr)
        sys.exit(1)
