"""Puts a console together and runs it on this terminal."""

from __future__ import annotations

import gc
from pathlib import Path

from console.places import data_dir, user_name
from console.screens.app import Console
from console.screens.desk import Desk
from console.screens.stopline import StopLine
from console.screens.store import Store
from console.screens.tour import Tour
from console.screens.tour_memory import TourMemory
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
    memory = TourMemory(data_dir)
    tour = Tour(offered=memory.outcome() is None, remember=memory.remember)
    desk = Desk(store, client, stops, who, records, upkeep, tour=tour)
    console = Console(desk, client.run)
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
