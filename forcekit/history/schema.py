"""The tables of the store and the steps from one version of them to the next.

::

    athletes ──< body_masses
       │
       └──< attempts >── sessions
               │   └──< attempt_recordings >── recordings      raw files, by content hash
               └──< results                                    one per analysis of the attempt; all are kept
                       ├──< measures  (name and unit in measure_names)
                       ├──< findings
                       └──< quality_checks

Times are seconds since 1970 (UTC). Values are SI. `uid` is the same on every computer, `id` only in one database.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import sqlalchemy as sa

from forcekit.errors import InputError

__all__ = ["STEPS", "MigrationStep", "metadata", "migrate", "stored_version"]

metadata = sa.MetaData()

_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")
"""SQLite numbers rows only in columns called INTEGER."""

schema_version = sa.Table(
    "schema_version",
    metadata,
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("applied_at", sa.Float(53), nullable=False),
    sa.Column("what", sa.Text, nullable=False),
)

athletes = sa.Table(
    "athletes",
    metadata,
    sa.Column("id", _ID, primary_key=True),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("name", sa.Text, nullable=False, unique=True),
    sa.Column("stature_m", sa.Float(53)),
    sa.Column("foot_length_m", sa.Float(53)),
    sa.Column("shoe_size_mm", sa.Float(53)),
    sa.Column("note", sa.Text, nullable=False, server_default=""),
    sa.Column("added_at", sa.Float(53), nullable=False),
)

body_masses = sa.Table(
    "body_masses",
    metadata,
    sa.Column("athlete_id", _ID, sa.ForeignKey("athletes.id"), primary_key=True),
    sa.Column("at", sa.Float(53), primary_key=True),
    sa.Column("mass_kg", sa.Float(53), nullable=False),
    sa.Column("source", sa.Text, nullable=False, server_default=""),
)

sessions = sa.Table(
    "sessions",
    metadata,
    sa.Column("id", _ID, primary_key=True),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("started_at", sa.Float(53), nullable=False),
    sa.Column("place", sa.Text, nullable=False, server_default=""),
    sa.Column("note", sa.Text, nullable=False, server_default=""),
)

recordings = sa.Table(
    "recordings",
    metadata,
    sa.Column("id", _ID, primary_key=True),
    sa.Column("sha256", sa.Text, nullable=False, unique=True),
    sa.Column("n_bytes", sa.BigInteger, nullable=False),
    sa.Column("file_name", sa.Text, nullable=False),
    sa.Column("stored_at", sa.Float(53), nullable=False),
)

attempts = sa.Table(
    "attempts",
    metadata,
    sa.Column("id", _ID, primary_key=True),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("athlete_id", _ID, sa.ForeignKey("athletes.id"), nullable=False),
    sa.Column("session_id", _ID, sa.ForeignKey("sessions.id"), index=True),
    sa.Column("lifted_at", sa.Float(53), nullable=False),
    sa.Column("content_hash", sa.Text, index=True),
    sa.Column("lift_at_s", sa.Float(53)),
    sa.Column("movement", sa.Text, nullable=False, server_default=""),
    sa.Column("load_kg", sa.Float(53)),
    sa.Column("body_mass_kg", sa.Float(53)),
    sa.Column("drill", sa.Text, nullable=False, server_default=""),
    sa.Column("cue", sa.Text, nullable=False, server_default=""),
    sa.Column("outcome", sa.Text, nullable=False, server_default=""),
    sa.Column("note", sa.Text, nullable=False, server_default=""),
)

# Holds all that a trend needs to know of an athlete's attempts, so that it is read in one sweep of the index.
attempts_of_athlete = sa.Index(
    "attempts_of_athlete",
    attempts.c.athlete_id,
    attempts.c.lifted_at,
    attempts.c.id,
    attempts.c.session_id,
    attempts.c.movement,
    attempts.c.load_kg,
    attempts.c.outcome,
    attempts.c.cue,
    attempts.c.drill,
)

attempt_recordings = sa.Table(
    "attempt_recordings",
    metadata,
    sa.Column("attempt_id", _ID, sa.ForeignKey("attempts.id"), primary_key=True),
    sa.Column("recording_id", _ID, sa.ForeignKey("recordings.id"), primary_key=True, index=True),
    sa.Column("role", sa.Text, nullable=False),
)

results = sa.Table(
    "results",
    metadata,
    sa.Column("id", _ID, primary_key=True),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("attempt_id", _ID, sa.ForeignKey("attempts.id"), nullable=False, index=True),
    sa.Column("analysed_at", sa.Float(53), nullable=False),
    sa.Column("software", sa.Text, nullable=False),
    sa.Column("definitions", sa.Text, nullable=False),
    sa.Column("setup", sa.Text, nullable=False),
    sa.Column("fingerprint", sa.Text, nullable=False),
)

measure_names = sa.Table(
    "measure_names",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("unit", sa.Text, nullable=False),
    sa.UniqueConstraint("name", "unit"),
)

# Clustered by athlete and measure: a trend is one stretch of the table. No foreign key to attempts and results, which
# would need a second index of the largest table; both are written and deleted in one transaction.
measures = sa.Table(
    "measures",
    metadata,
    sa.Column("athlete_id", _ID, sa.ForeignKey("athletes.id"), primary_key=True),
    sa.Column("measure_id", sa.Integer, sa.ForeignKey("measure_names.id"), primary_key=True),
    sa.Column("attempt_id", _ID, primary_key=True),
    sa.Column("result_id", _ID, primary_key=True),
    sa.Column("value", sa.Float(53)),
    sa.Column("low", sa.Float(53)),
    sa.Column("high", sa.Float(53)),
    sa.Column("withheld", sa.Text),
    sa.CheckConstraint("(value IS NULL) <> (withheld IS NULL)", name="value_or_reason"),
    sqlite_with_rowid=False,
)

findings = sa.Table(
    "findings",
    metadata,
    sa.Column("result_id", _ID, sa.ForeignKey("results.id"), primary_key=True),
    sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("pattern", sa.Text, nullable=False),
    sa.Column("strength", sa.Text, nullable=False),
    sa.Column("sentence", sa.Text, nullable=False),
    sa.Column("evidence", sa.Text, nullable=False),
    sa.Column("limit_source", sa.Text, nullable=False),
    sa.Column("cue", sa.Text, nullable=False),
    sa.Column("drill", sa.Text, nullable=False),
    sa.Column("caution", sa.Text, nullable=False),
)

quality_checks = sa.Table(
    "quality_checks",
    metadata,
    sa.Column("result_id", _ID, sa.ForeignKey("results.id"), primary_key=True),
    sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("verdict", sa.Text, nullable=False),
    sa.Column("sentence", sa.Text, nullable=False),
    sa.Column("withholds", sa.Text, nullable=False),
)


@dataclass(frozen=True, slots=True)
class MigrationStep:
    """One step of the schema: its number, what it does, and the function that does it."""

    version: int
    what: str
    apply: Callable[[sa.Connection], None]


STEPS: tuple[MigrationStep, ...] = (MigrationStep(1, "first tables", metadata.create_all),)
"""All steps from an empty database. A later change of the tables appends a step that alters an older database (skipping
what `create_all` of the changed tables already made) and never edits an earlier one."""


def stored_version(conn: sa.Connection) -> int:
    """Version of the tables in this database; 0 when there are none."""
    if not sa.inspect(conn).has_table(schema_version.name):
        return 0
    return int(conn.execute(sa.select(sa.func.coalesce(sa.func.max(schema_version.c.version), 0))).scalar_one())


def migrate(conn: sa.Connection, steps: tuple[MigrationStep, ...] = STEPS) -> int:
    """Bring the tables to the newest version within the caller's transaction; gives the number of steps done.

    Raises
    ------
    InputError
        If the store was written by a newer forcekit.
    """
    have, newest = stored_version(conn), steps[-1].version
    if have > newest:
        raise InputError(
            f"store: its tables have version {have}, and this forcekit knows versions up to {newest}. "
            "Update forcekit, or open another store."
        )
    todo = [step for step in steps if step.version > have]
    for step in todo:
        step.apply(conn)
        row = {"version": step.version, "applied_at": time.time(), "what": step.what}
        conn.execute(sa.insert(schema_version).values(row))
    return len(todo)
