"""Puts a console together and runs it on this terminal."""

from __future__ import annotations

import gc
from pathlib import Path

from console.places import user_name
from console.screens.app import Console
from console.screens.desk import Desk
from console.screens.stopline import StopLine
from console.screens.store import Store
from console.views.client import EngineClient
from console.views.records import RecordReader
from console.views.upkeep import UpkeepLook


def run(
    socket: Path,
    stop_socket: Path,
    records: RecordReader | None = None,
    upkeep: UpkeepLook | None = None,
) -> int:
    """A console on the engine behind these sockets, until it is closed; its exit code."""
    store = Store()
    stops = StopLine(stop_socket)
    who = user_name()
    client = EngineClient(socket, store, name=who)
    console = Console(Desk(store, client, stops, who, records, upkeep), client.run)
    stops.start()
    # Everything that is here now stays: a full collection would only walk it, for 100 ms and more
    # in which no key is answered.
    gc.collect()
    gc.freeze()
    try:
        console.run()
    finally:
        stops.close()
    # Failures in actions, timers and workers end the console and leave only this number behind.
    return console.return_code or 0
