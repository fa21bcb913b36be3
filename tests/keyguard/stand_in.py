"""A stop socket that answers as told and writes down when each line came.

It stands in for the engine where the key guard's own time is measured, or where an engine must be
silent or slow on cue: a real engine would add its own time and can't be told to stay silent.

Usage: stand_in.py SOCKET LOG confirm|silent|partial
"""

from __future__ import annotations

import json
import socketserver
import sys
import time
from pathlib import Path


class Handler(socketserver.StreamRequestHandler):
    """One connection, answered by the rules of the stop socket."""

    def handle(self) -> None:
        """Log each line with its arrival on the monotonic clock, and answer by the mode."""
        for line in self.rfile:
            at = time.monotonic()
            with Path(sys.argv[2]).open("a") as log:
                log.write(json.dumps({"at": at, "line": line.decode("latin-1")}) + "\n")
            if line.startswith(b"\x18") and sys.argv[3] != "silent":
                self.answer()

    def answer(self) -> None:
        """Two controllers; in mode partial the second is not confirmed, after a while."""
        self.say({"stopping": 1, "sent_ms": 0.1, "lines": 2, "controllers": ["gate", "ice"]})
        self.confirm("gate", "confirmed")
        if sys.argv[3] == "partial":
            time.sleep(0.6)
            self.confirm("ice", "not confirmed")
            self.say({"done": True, "confirmed": 1, "of": 2})
        else:
            self.confirm("ice", "confirmed")
            self.say({"done": True, "confirmed": 2, "of": 2})

    def confirm(self, name: str, progress: str) -> None:
        """Say how far one controller is."""
        self.say({"controller": name, "where": "by the gate", "progress": progress, "ms": 3.0})

    def say(self, answer: dict[str, object]) -> None:
        """Write one line."""
        self.wfile.write(json.dumps(answer).encode() + b"\n")


class Server(socketserver.ThreadingUnixStreamServer):
    """Threads end with the process."""

    daemon_threads = True


if __name__ == "__main__":
    with Server(sys.argv[1], Handler) as server:
        server.serve_forever()
