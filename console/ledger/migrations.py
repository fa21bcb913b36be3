"""Brings a ledger to the schema that this program knows, whole or not at all.

The version is the file's `PRAGMA user_version`. Each step runs in a transaction of its own together
with the change of the version, so a crash in between leaves the last whole version.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from console.errors import UserError
from console.ledger.schema import APPLICATION_ID, STEPS

KNOWN_VERSION = len(STEPS)


def version_of(connection: sqlite3.Connection) -> int:
    """The schema version of an open ledger; 0 for an empty file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def refuse_unknown(connection: sqlite3.Connection, name: str, known: int = KNOWN_VERSION) -> None:
    """Raise UserError for a database of something else, or a ledger of a newer program."""
    marked = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
    if marked != APPLICATION_ID and (marked or tables):
        raise UserError(
            f"{name} is a database, but not a ledger",
            "Name another file with --ledger; one that does not exist yet is made.",
        )
    version = version_of(connection)
    if version < 0:
        raise UserError(
            f"{name} is damaged: it says that its schema is {version}",
            "`sexton salvage` saves what can be saved.",
        )
    if version > known:
        raise UserError(
            f"{name} was written by a newer sexton: its schema is {version}, "
            f"this one knows up to {known}",
            "Install that version again, or name another file with --ledger.",
        )


def migrate(
    connection: sqlite3.Connection, name: str, steps: Sequence[Sequence[str]] = STEPS
) -> int:
    """Run the steps that are missing and return the version it started from.

    Raises UserError for anything but an empty file or a ledger of a version up to `len(steps)`.
    """
    refuse_unknown(connection, name, len(steps))
    began_at = version_of(connection)
    for version in range(began_at, len(steps)):
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in steps[version]:
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return began_at
