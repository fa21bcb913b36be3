"""Opens ledger files, and says in one line what is wrong with those that cannot be used.

One connection writes and checkpoints; every other one is read-only. SQLite versions from 3.7.0 to
3.51.2 can damage a WAL that two connections write or checkpoint at once, so a lock file beside the
ledger keeps a second writer out.
"""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

from console.errors import UserError
from console.ledger.migrations import KNOWN_VERSION, migrate, refuse_unknown, version_of

_LEAST_SQLITE = (3, 37, 0)
_WHOLE_CHECK_BYTES = 32 * 1024 * 1024
"""Up to this size every page is checked at opening (about 100 ms); above it, the small tables."""
_WAL_LIMIT_BYTES = 32 * 1024 * 1024
_BIG_TABLES = ("cycles", "missed", "events")
_KEEP_IT = (
    "Nothing was changed. Move it away together with its -wal and -shm files and keep them; "
    "`sexton salvage` saves what can be saved, and a new ledger is made where none is."
)


class WriterLock:
    """Held as long as a ledger is open for writing. The system lifts it when the process ends."""

    def __init__(self, path: Path) -> None:
        """Take the lock of the ledger at `path`; raises UserError naming the process in the way."""
        # By its real name, as SQLite does: a link must not let a second writer in.
        real = path.resolve()
        lock = real.with_name(real.name + "-writer")
        self._descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.read(self._descriptor, 20).decode("utf-8", "replace").strip()
            self.release()
            raise UserError(
                f"{path} is being written by another process ({holder or 'unknown'})",
                "One engine keeps one ledger. End that one, or name another with --ledger.",
            ) from None
        # The holder's number is a courtesy; a full disk must not keep the engine down for it.
        with suppress(OSError):
            os.ftruncate(self._descriptor, 0)
            os.pwrite(self._descriptor, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let another writer in."""
        os.close(self._descriptor)


def open_for_writing(path: Path) -> tuple[sqlite3.Connection, WriterLock]:
    """The one writing connection to `path`, checked and brought to the schema known here.

    The file is made when missing, in a folder that exists. Raises UserError.
    """
    _refuse_places(path)
    if not path.parent.is_dir():
        raise UserError(f"there is no folder {path.parent} for the ledger", "Make it first.")
    if path.exists() and not os.access(path, os.W_OK):
        # SQLite would fall back to reading, and leave files beside it that nobody can write.
        raise _cannot_write(path, "it is read-only")
    try:
        lock = WriterLock(path)
    except OSError as error:
        raise _cannot_write(path, error.strerror or str(error)) from None
    with ExitStack() as undo, explaining(path):
        undo.callback(lock.release)
        connection = _connect(path, "mode=rwc", timeout_s=2.0)
        undo.callback(connection.close)
        refuse_unknown(connection, str(path))
        _refuse_damage(connection, path)
        (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
        if mode != "wal":
            raise _cannot_write(path, "its disk cannot share memory between processes")
        for pragma in (
            "synchronous = FULL",
            # macOS flushes the drive's own cache only when asked; elsewhere these do nothing.
            "fullfsync = ON",
            "checkpoint_fullfsync = ON",
            "foreign_keys = ON",
            f"journal_size_limit = {_WAL_LIMIT_BYTES}",
        ):
            connection.execute(f"PRAGMA {pragma}")
        migrate(connection, str(path))
        undo.pop_all()
    return connection, lock


def open_for_reading(path: Path) -> sqlite3.Connection:
    """A read-only connection that may live beside the engine. Raises UserError.

    A ledger of an older schema is brought up to date first, when nobody is writing it.
    """
    _refuse_places(path)
    if not path.exists():
        raise UserError(
            f"there is no ledger at {path}", "It is made when an engine first runs with it."
        )
    with ExitStack() as undo, explaining(path):
        connection = _read_only(path)
        undo.callback(connection.close)
        refuse_unknown(connection, str(path))
        version = version_of(connection)
        if version == KNOWN_VERSION:
            _refuse_damage(connection, path)
            undo.pop_all()
            return connection
    if version == 0:
        raise UserError(f"{path} is empty", "It is filled when an engine first runs with it.")
    upgraded, lock = open_for_writing(path)
    upgraded.close()
    lock.release()
    with explaining(path):
        return _read_only(path)


def _read_only(path: Path) -> sqlite3.Connection:
    connection = _connect(path, "mode=ro", timeout_s=5.0)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        # On read-only media SQLite can make no shared memory; nobody can be writing either.
        if os.access(path.parent, os.W_OK) or path.with_name(path.name + "-wal").exists():
            raise
        return _connect(path, "mode=ro&immutable=1", timeout_s=0.0)
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _connect(path: Path, how: str, timeout_s: float) -> sqlite3.Connection:
    return sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?{how}",
        uri=True,
        isolation_level=None,
        timeout=timeout_s,
        # The writer's connection is opened by one thread and used by another, never by both.
        check_same_thread=False,
    )


def _refuse_places(path: Path) -> None:
    if sqlite3.sqlite_version_info < _LEAST_SQLITE:
        raise UserError(
            f"this Python uses SQLite {sqlite3.sqlite_version}; the ledger needs 3.37 or later",
            "Use a Python with a newer SQLite.",
        )
    if path.is_dir():
        raise UserError(f"{path} is a folder, not a ledger", f"Name a file: {path / 'my.ledger'}")
    if path.exists() and not path.is_file():
        raise UserError(f"{path} is no ordinary file", "Name an ordinary file with --ledger.")


def _refuse_damage(connection: sqlite3.Connection, path: Path) -> None:
    """Raise UserError where the file's structure does not hold together."""
    size = int(connection.execute("PRAGMA page_count").fetchone()[0]) * int(
        connection.execute("PRAGMA page_size").fetchone()[0]
    )
    names = [None]
    if size > _WHOLE_CHECK_BYTES:
        listed = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
        names = [row[0] for row in listed if row[0] not in _BIG_TABLES]
    for name in names:
        argument = "1" if name is None else f"'{name}'"
        found = connection.execute(f"PRAGMA quick_check({argument})").fetchone()
        if found is not None and found[0] != "ok":
            line = " ".join(str(found[0]).replace("*** in database main ***", "").split())
            raise UserError(f"{path} is damaged: {line}", _KEEP_IT)


@contextmanager
def explaining(path: Path) -> Iterator[None]:
    """Turn whatever SQLite says about the ledger at `path` into a UserError."""
    try:
        yield
    except sqlite3.Error as error:
        raise _explained(path, error) from None
    except (UnicodeDecodeError, json.JSONDecodeError):
        # Noise inside a name or a detail; Python trips over it before SQLite can report it.
        raise UserError(f"{path} is damaged: it holds text that is none", _KEEP_IT) from None


def _explained(path: Path, error: sqlite3.Error) -> UserError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_NOTADB:
        return UserError(
            f"{path} is not a ledger: it is some other kind of file, or its first page is damaged",
            "Name another file with --ledger; one that does not exist yet is made.",
        )
    if code == sqlite3.SQLITE_CORRUPT:
        return UserError(f"{path} is damaged: {error}", _KEEP_IT)
    if code == sqlite3.SQLITE_FULL:
        return UserError(f"there is no room on the disk for {path}", "Make room, then try again.")
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return _cannot_write(path, "it is read-only")
    if code == sqlite3.SQLITE_CANTOPEN:
        return UserError(f"{path} cannot be opened", "Check who may read it and its folder.")
    return UserError(f"{path} cannot be used: {error}", "Check the disk it lies on.")


def _cannot_write(path: Path, why: str) -> UserError:
    return UserError(
        f"{path} cannot be written: {why}",
        "Give yourself the right to write it and its folder, or name another with --ledger.",
    )
