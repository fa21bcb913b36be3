"""Looks at upkeep every few minutes, in a process of its own.

A look at a site's charts is seconds of computing. In a thread it would hold up the loop between
two of its instructions; in another process, with the least claim to the machine, it cannot.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from console.engine.events import UpkeepLooked

FIRST_S = 30.0
"""After an engine's start: its boards come first."""
EVERY_S = 600.0
_LONGEST_S = 120.0


class UpkeepWatch:
    """A thread that waits, and has `console.upkeep.flags` look."""

    def __init__(self, site: Path, ledger: Path, put: Callable[[object], None]) -> None:
        """`put` hears an `UpkeepLooked` of each look that succeeded."""
        self._command = [sys.executable, "-m", "console.upkeep.flags", str(site), str(ledger)]
        self._put = put
        self._ended = threading.Event()
        self._looking: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="upkeep", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Look no more; a look that is under way is given up."""
        self._ended.set()
        with self._lock:
            if self._looking is not None:
                self._looking.kill()
        self._thread.join(2.0)

    def _run(self) -> None:
        wait_s = FIRST_S
        while not self._ended.wait(wait_s):
            wait_s = EVERY_S
            found = self._look()
            if found is not None:
                self._put(found)

    def _look(self) -> UpkeepLooked | None:
        with self._lock:
            if self._ended.is_set():
                return None
            self._looking = subprocess.Popen(
                self._command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        try:
            out, _ = self._looking.communicate(timeout=_LONGEST_S)
            said = json.loads(out)
            return UpkeepLooked(frozenset(said["due"]), frozenset(said["slowing"]))
        except subprocess.TimeoutExpired:
            self._looking.kill()
            self._looking.communicate()
            return None
        except (ValueError, KeyError, TypeError):
            # A ledger that cannot be read has an alarm of its own; the flags stay as they were.
            return None
        finally:
            with self._lock:
                self._looking = None
