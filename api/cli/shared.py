"""What the `drumlin` commands share: options, the catalogue, run ids, tables, progress.

Data flows: command line -> these -> the catalogue and run folders of a data directory -> tables for
people, or one JSON object with --json. Imports are made where they are used, so that each command
starts quickly.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from daq.errors import DrumlinError, Refused
from daq.plain_text import COMMANDING
from daq.quantities import UnitSystem
from daq.texts.catalogue import languages
from daq.texts.message import Text, render
from daq.texts.published import published_json

RigOption = Annotated[Path, typer.Option(help="The rig file.")]
DataOption = Annotated[Path, typer.Option(help="Directory for runs, catalogue, tokens, memory.")]
UrlOption = Annotated[str, typer.Option("--store", help="Catalogue URL, if not SQLite in DATA.")]


class _Reader:
    """Whose units the command's refusals are told in, too."""

    units = UnitSystem.METRIC


def _read_in(units: UnitSystem) -> UnitSystem:
    _Reader.units = units
    return units


def _spoken(language: str) -> str:
    known = languages()
    if language not in known:
        raise DrumlinError(
            f"There is no language '{language[:20]}'.", f"Use one of: {', '.join(known)}."
        )
    return language


UnitsOption = Annotated[
    UnitSystem, typer.Option(help="Units of what people read; JSON is SI.", callback=_read_in)
]
LanguageOption = Annotated[
    str, typer.Option(help="Language of the report: en, de, ...", callback=_spoken)
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object, nothing else.")]
RunArgument = Annotated[str, typer.Argument(help="Run id, or 'last'.")]
DATA = Path("data")
NO = 1


def for_reader(text: Text) -> str:
    """A refusal's sentence in the units that the command was asked for."""
    return render(text, _Reader.units)


def expect_folder(data: Path) -> None:
    """Raises DrumlinError when there is no such data directory."""
    if not data.is_dir():
        raise DrumlinError(
            f"There is no data directory {data}.",
            "Give it with --data, or make it first with: mkdir -p DIRECTORY.",
        )


def expect_folder_given(data: Path) -> None:
    """The same for one that was named; a rig that has never run may do without the usual one."""
    if data != DATA:
        expect_folder(data)


@contextlib.contextmanager
def open_catalogue(data: Path, url: str) -> Iterator[Any]:
    """The catalogue of a data directory. Raises DrumlinError when there is none."""
    from api.store.catalogue import Catalogue
    from api.store.engine import noted_url

    expect_folder(data)
    catalogue = Catalogue.open(data, url or noted_url(data))
    try:
        yield catalogue
    finally:
        catalogue.close()


def run_of(catalogue: Any, run_id: str) -> Any:
    """A run by id, or the newest for 'last'. Raises DrumlinError."""
    from api.store.catalogue import Search

    if run_id == "last":
        newest = catalogue.find(Search(limit=1))
        if not newest:
            raise DrumlinError("There are no runs yet.", "Record one first.")
        run_id = newest[0].id
    found = catalogue.run(run_id)
    if found is None:
        raise DrumlinError(f"There is no run {run_id}.", "See them with: drumlin runs list.")
    return found


def expand(catalogue: Any, words: str) -> list[str]:
    """Run ids from ids and names of sets with commas between."""
    from api.store import vehicle_records
    from api.store.catalogue import RUN_ID

    found: list[str] = []
    for word in (each.strip() for each in words.split(",")):
        if word == "last" or RUN_ID.match(word):
            found.append(run_of(catalogue, word).id)
        elif word:
            found += vehicle_records.one_set(catalogue, word).runs
    return list(dict.fromkeys(found))


def one_line(text: str, most: int) -> str:
    """The text, if it is one short line. Raises Refused."""
    if len(text) > most or any(ord(letter) < 32 or ord(letter) == 127 for letter in text):
        raise Refused(
            f"'{text[:20]}...' is too long or holds control characters.",
            f"Use one line of at most {most} characters.",
            "invalid",
        )
    return text


def write_file(target: Path, body: bytes, option: str) -> None:
    """Raises DrumlinError naming the option that gave the target."""
    try:
        target.write_bytes(body)
    except OSError as error:
        raise DrumlinError(
            f"{target} cannot be written: {error}.", f"Give another {option}."
        ) from None


def shown(text: str) -> str:
    """Text for a terminal: what would command it, in a note or from elsewhere, is only shown."""
    return COMMANDING.sub(lambda found: repr(found[0])[1:-1], text)


def console() -> Any:
    """Where people read."""
    from rich.console import Console

    class SafeConsole(Console):
        def print(self, *objects: Any, **named: Any) -> None:
            seen = (shown(each) if isinstance(each, str) else each for each in objects)
            super().print(*seen, **named)

    return SafeConsole()


def print_table(
    head: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
    nothing: str,
    right: tuple[int, ...] = (),
) -> None:
    """A table; `nothing` when there are no rows; `right`: columns of numbers."""
    from rich.table import Table
    from rich.text import Text

    out = console()
    if not rows:
        out.print(nothing)
        return
    table = Table(box=None, pad_edge=False, header_style="dim")
    for place, name in enumerate(head):
        side: Literal["left", "right"] = "right" if place in right else "left"
        # the first column names what the next command is given: it is never broken
        table.add_column(name, justify=side, overflow="fold", no_wrap=place == 0)
    for row in rows:
        table.add_row(*(Text(shown(cell)) for cell in row))
    out.print(table)


@contextlib.contextmanager
def progress(what: str, *, quiet: bool) -> Iterator[Callable[[float], None]]:
    """A bar on standard error for long work; nothing with --json or without a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


@contextlib.contextmanager
def waiting(what: str, *, quiet: bool) -> Iterator[None]:
    """Says what is waited for, where nobody knows how far it is; as quiet as `progress`."""
    if quiet or not sys.stderr.isatty():
        yield
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        bar.add_task(what, total=None)
        yield


def have_kernels() -> None:
    """Compile the numerical kernels when that has not been done since they changed."""
    from api.launch.kernels import are_compiled, compile_kernels

    if are_compiled():
        return
    what = "Compiling the numerical kernels, once"
    if not sys.stderr.isatty():
        print(f"{what}; it takes a minute or two.", file=sys.stderr, flush=True)
    with progress(what, quiet=False) as bar:
        compile_kernels(bar)


def print_json(told: Any) -> None:
    """One JSON object."""

    print(published_json(told).decode())


def done(told: Any, text: str, as_json: bool) -> None:
    """What was done, for people or as JSON."""
    if as_json:
        print_json(told)
    else:
        console().print(text, highlight=False, markup=False, soft_wrap=True)
