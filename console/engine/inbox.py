"""From the other threads to the loop: a queue and a pipe that wakes it."""

from __future__ import annotations

import contextlib
import os
import queue


class Inbox:
    """What other threads have to tell the loop."""

    def __init__(self) -> None:
        self._items: queue.SimpleQueue[object] = queue.SimpleQueue()
        self.fd, self._wake = os.pipe()
        os.set_blocking(self.fd, False)
        os.set_blocking(self._wake, False)

    def put(self, item: object) -> None:
        """Hand something over, from any thread."""
        self._items.put(item)
        with contextlib.suppress(BlockingIOError):
            os.write(self._wake, b"\0")

    def take(self) -> object | None:
        """The next thing; None when there is no more."""
        try:
            return self._items.get_nowait()
        except queue.Empty:
            return None

    def drain(self) -> None:
        """Forget the wake-ups; call before taking."""
        with contextlib.suppress(BlockingIOError):
            while os.read(self.fd, 4096):
                pass
