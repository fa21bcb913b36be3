"""Which ledger is meant: the one named, the site's, the running engine's, or the only one."""

from __future__ import annotations

import fcntl
import json
from pathlib import Path

from console.errors import UserError
from console.places import EngineFolder, data_dir, engine_folder, engine_folders, slug_of

SUFFIX = ".ledger"
_NOT_REAL = ("demo-", "rehearsal-")
"""How the names of simulated nights' ledgers begin; those of sites never do."""


def default_ledger(slug: str) -> Path:
    """Where the engine with this slug keeps its ledger unless told otherwise."""
    return data_dir() / f"{slug}{SUFFIX}"


def find_ledger(given: Path | None = None, site: Path | None = None) -> Path:
    """The ledger to read.

    `given` wins. A site's ledger is where its running engine keeps it, or else the default place.
    Without either it is that of the one running engine, or the only one in the data folder; the
    records of demos count only while their engine runs. Raises UserError where that leaves none or
    several.
    """
    if given is not None:
        return given
    if site is not None:
        if not site.exists():
            raise UserError(
                f"there is no file {site}", "Name the site file, or a ledger with --ledger."
            )
        slug = slug_of(site)
        return _running_ledger(engine_folder(slug)) or default_ledger(slug)
    running = {found for folder in engine_folders() if (found := _running_ledger(folder))}
    if len(running) == 1:
        return running.pop()
    kept = running or {
        path for path in data_dir().glob(f"*{SUFFIX}") if not path.name.startswith(_NOT_REAL)
    }
    if len(kept) == 1:
        return kept.pop()
    if not kept:
        raise UserError(
            f"there is no ledger in {data_dir()}",
            "Name the site file, or a ledger with --ledger PATH.",
        )
    listed = "".join(f"\n  {path}" for path in sorted(kept))
    raise UserError(
        f"there are {len(kept)} ledgers:{listed}",
        "Name the site file, or one of them with --ledger PATH.",
    )


def _running_ledger(folder: EngineFolder) -> Path | None:
    """The ledger of the engine in this folder, None unless it lives."""
    try:
        with folder.lock.open("r", encoding="utf-8") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                ledger = json.loads(lock.read()).get("ledger")
                return Path(ledger) if ledger else None
    except (OSError, ValueError, AttributeError):
        return None
    return None
