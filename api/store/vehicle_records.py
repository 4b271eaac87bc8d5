"""Vehicles with their owners, sets of runs, and the history of evaluations of each run.

Data flows: routes and command line -> these plain functions on a Catalogue -> its database, one
transaction each. All block: call them through asyncio.to_thread. Runs name their vehicle by text;
a vehicle here adds who owns it and what is known of it.
"""

from __future__ import annotations

from typing import Any

import msgspec
import sqlalchemy as sa

from api.store.catalogue import Catalogue
from api.store.engine import begin
from api.store.schema import evaluations, run_sets, runs, set_members, vehicles
from daq.errors import NoSuchRun, Refused
from daq.texts.message import Text, say
from daq.texts.published import restored, stored, text_of

MOST_VEHICLES = 5000
MOST_SETS = 2000
MOST_MEMBERS = 500


class VehicleRecord(msgspec.Struct, frozen=True):
    name: str
    owner: str
    about: str
    made_at: str
    runs: int = 0
    idle_rpm: float | None = None  # of its engine; None: not known
    max_rpm: float | None = None


class RunSet(msgspec.Struct, frozen=True):
    name: str
    about: str
    made_at: str
    runs: tuple[str, ...] = ()


class Evaluation(msgspec.Struct, frozen=True):
    """One evaluation of a run; its whole result is the file of that number in the run's folder."""

    run_id: str
    number: int
    at: str
    who: str
    version: str
    settings: Any
    answer: Text
    valid: bool


def put_vehicle(catalogue: Catalogue, vehicle: VehicleRecord) -> None:
    """Add a vehicle, or change its owner and description. Raises Refused when there is no room."""
    if vehicle.idle_rpm and vehicle.max_rpm and vehicle.idle_rpm >= vehicle.max_rpm:
        raise Refused(
            say(
                "engine-speeds-contradict",
                vehicle=vehicle.name,
                idle=vehicle.idle_rpm,
                most=vehicle.max_rpm,
            ),
            say("correct-one-of-two"),
            "engine-speeds",
        )
    with begin(catalogue.engine, writing=True) as connection:
        changed = connection.execute(
            vehicles.update()
            .where(vehicles.c.name == vehicle.name)
            .values(
                owner=vehicle.owner,
                about=vehicle.about,
                idle_rpm=vehicle.idle_rpm,
                max_rpm=vehicle.max_rpm,
            )
        )
        if changed.rowcount:
            return
        count = connection.execute(sa.select(sa.func.count()).select_from(vehicles)).scalar_one()
        if count >= MOST_VEHICLES:
            raise Refused(
                say("there-are-vehicles", most=MOST_VEHICLES),
                say("remove-one-first"),
                "vehicles-full",
            )
        connection.execute(
            vehicles.insert().values(**{one.name: getattr(vehicle, one.name) for one in vehicles.c})
        )


def drop_vehicle(catalogue: Catalogue, name: str) -> None:
    """Forget a vehicle; its runs keep its name. Raises Refused when it is not there."""
    with begin(catalogue.engine, writing=True) as connection:
        if not connection.execute(vehicles.delete().where(vehicles.c.name == name)).rowcount:
            raise Refused(say("no-such-vehicle", name=name), say("see-list-them"), "no-vehicle")


def all_vehicles(catalogue: Catalogue) -> list[VehicleRecord]:
    """Every vehicle by name with its number of runs; those only runs name have no owner."""
    count = sa.select(runs.c.vehicle, sa.func.count()).group_by(runs.c.vehicle)
    with begin(catalogue.engine, writing=False) as connection:
        counted = {name: number for name, number in connection.execute(count) if name}
        known = [
            VehicleRecord(**row, runs=counted.pop(row["name"], 0))
            for row in connection.execute(sa.select(vehicles)).mappings()
        ]
    known += [VehicleRecord(name, "", "", "", number) for name, number in counted.items()]
    return sorted(known, key=lambda each: each.name.casefold())


def one_vehicle(catalogue: Catalogue, name: str) -> VehicleRecord | None:
    """What is known of a vehicle; None when nobody said anything."""
    with begin(catalogue.engine, writing=False) as connection:
        query = sa.select(vehicles).where(vehicles.c.name == name)
        row = connection.execute(query).mappings().one_or_none()
    return VehicleRecord(**row) if row else None


def put_set(catalogue: Catalogue, wanted: RunSet) -> None:
    """Make a set of runs, or replace its members. Raises NoSuchRun and Refused."""
    if len(wanted.runs) > MOST_MEMBERS:
        raise Refused(
            say("set-holds-at-most-runs", most=MOST_MEMBERS), say("make-several-sets"), "set-full"
        )
    lacking = sorted(set(wanted.runs) - catalogue.known(list(wanted.runs)))
    if lacking:
        raise NoSuchRun(say("no-such-run", run=lacking[0]), say("look-at-list-runs"))
    with begin(catalogue.engine, writing=True) as connection:
        same = run_sets.c.name == wanted.name
        if not connection.execute(
            run_sets.update().where(same).values(about=wanted.about)
        ).rowcount:
            count = connection.execute(
                sa.select(sa.func.count()).select_from(run_sets)
            ).scalar_one()
            if count >= MOST_SETS:
                raise Refused(
                    say("there-are-sets", most=MOST_SETS), say("remove-one-first"), "sets-full"
                )
            connection.execute(
                run_sets.insert().values(
                    name=wanted.name, about=wanted.about, made_at=wanted.made_at
                )
            )
        connection.execute(set_members.delete().where(set_members.c.set_name == wanted.name))
        for run_id in dict.fromkeys(wanted.runs):
            connection.execute(set_members.insert().values(set_name=wanted.name, run_id=run_id))


def drop_set(catalogue: Catalogue, name: str) -> None:
    """Forget a set; its runs stay. Raises Refused when it is not there."""
    with begin(catalogue.engine, writing=True) as connection:
        connection.execute(set_members.delete().where(set_members.c.set_name == name))
        if not connection.execute(run_sets.delete().where(run_sets.c.name == name)).rowcount:
            raise Refused(say("no-such-set", name=name), say("see-list-them"), "no-set")


def all_sets(catalogue: Catalogue) -> list[RunSet]:
    """Every set by name with its runs in order of time."""
    with begin(catalogue.engine, writing=False) as connection:
        members: dict[str, list[str]] = {}
        query = sa.select(set_members).order_by(set_members.c.run_id)
        for row in connection.execute(query):
            members.setdefault(row.set_name, []).append(row.run_id)
        return [
            RunSet(row.name, row.about, row.made_at, tuple(members.get(row.name, ())))
            for row in connection.execute(sa.select(run_sets).order_by(run_sets.c.name))
        ]


def one_set(catalogue: Catalogue, name: str) -> RunSet:
    """A set by name. Raises Refused when it is not there."""
    found = next((each for each in all_sets(catalogue) if each.name == name), None)
    if found is None:
        raise Refused(say("no-such-set", name=name), say("see-list-them"), "no-set")
    return found


def note_evaluation(catalogue: Catalogue, told: Evaluation, result: Any) -> int:
    """Note an evaluation and make it the run's result; returns its number (told.number is not
    looked at). Raises NoSuchRun."""
    with begin(catalogue.engine, writing=True) as connection:
        if connection.execute(sa.select(runs.c.id).where(runs.c.id == told.run_id)).first() is None:
            raise NoSuchRun(say("no-such-run", run=told.run_id), say("look-at-list-runs"))
        last = connection.execute(
            sa.select(sa.func.max(evaluations.c.number)).where(evaluations.c.run_id == told.run_id)
        ).scalar()
        number = int(last or 0) + 1
        connection.execute(
            evaluations.insert().values(
                run_id=told.run_id,
                number=number,
                at=told.at,
                who=told.who,
                version=told.version,
                settings=msgspec.json.encode(told.settings).decode(),
                answer=stored(told.answer),
                valid=told.valid,
            )
        )
        connection.execute(
            runs.update()
            .where(runs.c.id == told.run_id)
            .values(result=msgspec.json.encode(result).decode())
        )
    return number


def note_first(catalogue: Catalogue, run_id: str, result: dict[str, Any]) -> None:
    """Note the evaluation made when the run was closed; closing it anew replaces that."""
    made = result["made"]
    with begin(catalogue.engine, writing=True) as connection:
        ended = connection.execute(
            sa.select(runs.c.ended_at).where(runs.c.id == run_id)
        ).scalar_one_or_none()
        values = {
            "at": str(ended or ""),
            "who": "",
            "version": made["version"],
            "settings": msgspec.json.encode(made["settings"]).decode(),
            "answer": stored(text_of(result["answer"])),
            "valid": bool(result["valid"]),
        }
        same = (evaluations.c.run_id == run_id) & (evaluations.c.number == 1)
        if not connection.execute(evaluations.update().where(same).values(**values)).rowcount:
            connection.execute(evaluations.insert().values(run_id=run_id, number=1, **values))


def evaluations_of(catalogue: Catalogue, run_id: str) -> list[Evaluation]:
    """The history of a run's evaluations, oldest first."""
    query = (
        sa.select(evaluations).where(evaluations.c.run_id == run_id).order_by(evaluations.c.number)
    )
    with begin(catalogue.engine, writing=False) as connection:
        return [
            Evaluation(
                row.run_id,
                row.number,
                row.at,
                row.who,
                row.version,
                msgspec.json.decode(row.settings),
                restored(row.answer),
                bool(row.valid),
            )
            for row in connection.execute(query)
        ]
