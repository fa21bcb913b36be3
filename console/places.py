"""Where things lie on this machine: records that last, and the sockets of running engines.

Standard library only: the key guard and `sexton stop` import it and must start at once.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import sys
from dataclasses import dataclass
from pathlib import Path

_SOCKET_PATH_LIMIT = 100
"""Bytes that a local socket's path may have on every system we know (104 on macOS), with room."""


def data_dir() -> Path:
    """The folder for ledgers and stop latches, created when missing."""
    if given := os.environ.get("SEXTON_DATA"):
        folder = Path(given)
    elif sys.platform == "darwin":
        folder = Path.home() / "Library" / "Application Support" / "sexton"
    else:
        base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
        folder = Path(base) / "sexton"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def runtime_dir() -> Path:
    """The folder for the sockets of this user's engines, which nobody else may enter.

    `$SEXTON_RUNTIME` where that is given: engines there are found by nobody who was not given it
    too, which is what a test wants and a night does not.

    Raises PermissionError where the folder belongs to somebody else: a socket there could be
    anybody's.
    """
    if given := os.environ.get("SEXTON_RUNTIME"):
        private_dir(Path(given))
        return Path(given)
    base = os.environ.get("XDG_RUNTIME_DIR")
    folder = Path(base) / "sexton" if base and Path(base).is_dir() else None
    if folder is None or len(os.fsencode(folder)) > _SOCKET_PATH_LIMIT - 60:
        folder = Path("/tmp") / f"sexton-{os.getuid()}"
    private_dir(folder)
    return folder


def private_dir(folder: Path) -> None:
    """Make `folder` with mode 0700, and insist that it is ours."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    status = folder.lstat()
    if not stat.S_ISDIR(status.st_mode) or status.st_uid != os.getuid():
        raise PermissionError(f"{folder} belongs to another user; remove it or set XDG_RUNTIME_DIR")
    if stat.S_IMODE(status.st_mode) != 0o700:
        folder.chmod(0o700)


def slug_of(site_file: Path, *, demo: bool = False) -> str:
    """A short name for the engine of `site_file`, the same from every folder.

    Sites of one file name in two folders differ by the digest of the whole path; a demo never has
    the name of a real site.
    """
    whole = site_file.resolve()
    digest = hashlib.sha256(os.fsencode(whole)).hexdigest()[:8]
    stem = "".join(c if c.isalnum() or c in "-_" else "-" for c in whole.stem)[:24]
    return f"{'demo' if demo else 'site'}-{stem}-{digest}"


@dataclass(frozen=True, slots=True)
class EngineFolder:
    """The files through which one engine is found and spoken to."""

    folder: Path

    @property
    def socket(self) -> Path:
        """Requests and views, as JSON lines."""
        return self.folder / "engine.sock"

    @property
    def stop_socket(self) -> Path:
        """Stops only, served before anything else."""
        return self.folder / "stop.sock"

    @property
    def lock(self) -> Path:
        """Held by the engine as long as it lives; says who holds it."""
        return self.folder / "engine.lock"


def engine_folder(slug: str) -> EngineFolder:
    """The folder of the engine with this name, not created."""
    return EngineFolder(runtime_dir() / slug)


def engine_folders() -> list[EngineFolder]:
    """Every folder in which an engine of this user has run, alive or not.

    It looks wherever an engine could have put its folder: a stop from a shell without
    XDG_RUNTIME_DIR, as under cron or su, must find the engine of a desktop session too.
    """
    found, uid = {runtime_dir()}, os.getuid()
    usual = (Path(f"/run/user/{uid}/sexton"), Path("/tmp") / f"sexton-{uid}")
    for folder in () if os.environ.get("SEXTON_RUNTIME") else usual:
        with contextlib.suppress(OSError):
            status = folder.lstat()
            if stat.S_ISDIR(status.st_mode) and status.st_uid == uid:
                found.add(folder)
    return [EngineFolder(p) for base in sorted(found) for p in sorted(base.iterdir()) if p.is_dir()]


def user_name() -> str:
    """Who this process works for: a login name, or the user's number where there is none."""
    import pwd

    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid())
