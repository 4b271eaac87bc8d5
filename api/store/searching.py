"""The words a run is found by: id, kind, vehicle, tags and notes, gathered whenever one changes.

Data flow: a change in the catalogue -> `gather` in the same transaction -> run_words -> find.
"""

from __future__ import annotations

import sqlalchemy as sa

from api.store.schema import notes, run_words, runs, tags


def gather(connection: sa.Connection, run_id: str) -> None:
    """Write the words of one run anew."""
    row = connection.execute(
        sa.select(runs.c.id, runs.c.kind, runs.c.vehicle).where(runs.c.id == run_id)
    ).first()
    if row is None:
        return
    said = [*row]
    said += connection.execute(sa.select(tags.c.tag).where(tags.c.run_id == run_id)).scalars()
    said += connection.execute(sa.select(notes.c.text).where(notes.c.run_id == run_id)).scalars()
    words = "\n".join(word for word in said if word).lower()
    changed = connection.execute(
        run_words.update().where(run_words.c.run_id == run_id).values(words=words)
    )
    if changed.rowcount == 0:
        connection.execute(run_words.insert().values(run_id=run_id, words=words))


def holding(engine: sa.Engine, text: str) -> sa.Select[tuple[str]]:
    """Ids of the runs whose words hold `text`, letter for letter whatever the case."""
    text = text.lower()
    found = sa.select(run_words.c.run_id)
    if engine.dialect.name == "sqlite":
        # A plain search for bytes: LIKE takes longer here.
        return found.where(sa.func.instr(run_words.c.words, text) > 0)
    # PostgreSQL guesses well how many runs a LIKE leaves, and of strpos always a third: for words
    # that hardly any run has it then looked them up run by run, five times as long.
    return found.where(run_words.c.words.contains(text, autoescape=True))
