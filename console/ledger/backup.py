"""A consistent copy of a ledger, taken beside a running engine."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from console.errors import UserError
from console.ledger.opening import explaining, open_for_reading


def back_up(ledger: Path, target: Path) -> int:
    """Copy the state of this moment to `target`, which appears whole and checked or not at all.

    The copy is an ordinary ledger in one file. Returns its size in bytes. Raises UserError.
    """
    if target.exists():
        raise UserError(f"{target} is there already", "Name a new file; no backup is overwritten.")
    draft = target.with_name(f".{target.name}.{os.getpid()}")
    source = open_for_reading(ledger)
    try:
        with explaining(ledger):
            copy = sqlite3.connect(draft, isolation_level=None)
            try:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                (found,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
            finally:
                copy.close()
        if found != "ok":
            raise UserError(
                f"{ledger} is damaged: {found}", "`sexton salvage` saves what can be saved."
            )
        with draft.open("rb") as file:
            os.fsync(file.fileno())
        draft.rename(target)
    except OSError as error:
        raise UserError(
            f"{target} cannot be written: {error.strerror}", "Name a file on a disk with room."
        ) from None
    finally:
        source.close()
        draft.unlink(missing_ok=True)
    return target.stat().st_size
