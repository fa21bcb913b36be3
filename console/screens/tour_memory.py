"""Whether the tour was taken or skipped before: one word in a file of the data folder."""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

from console.screens.tour import Outcome

FILE = "tour"
_LONGEST = 64


class TourMemory:
    """A folder that cannot be read or written has the tour offered again, and no more.

    `folder` gives the data folder and may raise OSError.
    """

    def __init__(self, folder: Callable[[], Path]) -> None:
        self._folder = folder

    def outcome(self) -> Outcome | None:
        """How it ended the last time; None where nobody knows."""
        with contextlib.suppress(OSError, ValueError), (self._folder() / FILE).open("rb") as file:
            return Outcome(file.read(_LONGEST).decode("ascii").strip())
        return None

    def remember(self, outcome: Outcome) -> None:
        """Write it down beside everything else: a slow disk delays no key."""
        threading.Thread(target=self._write, args=(outcome,), name="tour memory").start()

    def _write(self, outcome: Outcome) -> None:
        with contextlib.suppress(OSError):
            folder = self._folder()
            handle, name = tempfile.mkstemp(prefix=f".{FILE}-", dir=folder)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(f"{outcome}\n".encode("ascii"))
                Path(name).replace(folder / FILE)
            except OSError:
                Path(name).unlink(missing_ok=True)
                raise
