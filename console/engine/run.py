"""`run_engine`: everything an engine needs, made, run and closed in order."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import random
import signal
import sys
import traceback
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO

from console.engine.clock import SystemClock
from console.engine.core import Core
from console.engine.events import LatchSaved, Written
from console.engine.groupbook import past_of
from console.engine.helper import Helper, LineHeld, LineLock, recall
from console.engine.inbox import Inbox
from console.engine.latchfile import LatchFile
from console.engine.latchrecord import latch_of
from console.engine.openingbook import opening_of
from console.engine.overriding import overrides_of
from console.engine.reactor import Reactor
from console.engine.server import ViewServer
from console.engine.stopserver import StopServer
from console.engine.tagging import tags_of
from console.engine.upkeep_watch import UpkeepWatch
from console.engine.world import LAST_CYCLES, Memory
from console.errors import UserError
from console.ledger.finding import default_ledger
from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.ledger.writer import LedgerWriter
from console.places import EngineFolder, data_dir, engine_folder, private_dir, slug_of
from console.rules.latch import Latch
from console.site.loading import load
from console.site.models import Site
from console.views.codec import to_text
from console.views.models import CycleView


def run_engine(
    site_path: Path,
    ledger_path: Path | None = None,
    *,
    demo: bool = False,
    mark: str = "DEMO",
    ports: Path | None = None,
    auto: bool = False,
) -> int:
    """Run a site's engine until SIGTERM or SIGINT; its exit code.

    With `ports` only pseudo-terminals linked from that folder are opened: line NAME is the path
    that its site file gives, if that lies there, or else `ports/NAME`. A demo has such a folder,
    too: the one in which the paths of its lines lie. With `auto` the engine ends ten minutes after
    its last console when no night is open. A demo's screens all say `mark`. Raises UserError where
    it cannot start: a second engine of the same site, a line that another engine has, a broken site
    file or ledger.
    """
    site_path = site_path.resolve()
    site = load(site_path)
    if demo and ports is None:
        folders = {Path(line.path or "/").parent for line in site.lines}
        if len(folders) != 1 or Path("/") in folders:
            raise UserError("a demo opens no real line", "Start it with `sexton demo`.")
        ports = folders.pop()
    slug = slug_of(site_path, demo=demo)
    ledger = (ledger_path or default_ledger(slug)).resolve()
    if ports is not None:
        site = _on_simulated_lines(site, ports)
    holder = {"pid": os.getpid(), "site": str(site_path), "ledger": str(ledger), "demo": demo}
    folder = engine_folder(slug)
    private_dir(folder.folder)
    with contextlib.ExitStack() as held:
        held.enter_context(_locked(folder, holder))
        for line in site.lines if ports is None else ():
            try:
                lock = LineLock(line.port, holder)
            except LineHeld as error:
                raise UserError(
                    f"line {line.name} ({line.port}) is in use: {error}",
                    "End that engine first; one engine has a line for itself.",
                ) from None
            held.callback(lock.release)
        mark = mark if demo else ""
        _serve(site, site_path, slug, ledger, holder, folder, ports, mark=mark, auto=auto)
    return 0


def _serve(
    site: Site,
    site_path: Path,
    slug: str,
    ledger: Path,
    holder: Mapping[str, object],
    folder: EngineFolder,
    ports: Path | None,
    *,
    mark: str,
    auto: bool,
) -> None:
    clock, inbox = SystemClock(), Inbox()
    # A stop can hardly come sooner than these are set: until then they end the process, disarmed.
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    with contextlib.ExitStack() as stack:
        latch_file = LatchFile(data_dir() / f"{slug}.latch", lambda t: inbox.put(LatchSaved(t)))
        stack.callback(latch_file.close)
        writer = LedgerWriter(ledger, lambda result: inbox.put(Written(result)))
        stack.callback(writer.close)
        memory_file = data_dir() / f"{slug}.show"
        memory = _memory(site, writer, ledger, latch_file, memory_file)
        helper = Helper(holder, memory_file, inbox.put, only_below=ports)
        stack.callback(helper.end)
        watch = UpkeepWatch(site_path, ledger, inbox.put)
        stack.callback(watch.end)
        core = Core(
            site, memory, clock.now(), random=random.SystemRandom(), site_file=str(site_path),
            mark=mark, auto=auto,
        )  # fmt: skip

        complained: set[str] = set()

        def encode(key: str) -> str | None:
            try:
                entity = core.view(key)
            except Exception:  # noqa: BLE001 - what cannot be shown must not end the night
                if key not in complained:
                    complained.add(key)
                    traceback.print_exc()
                return None
            return None if entity is None else to_text(entity)

        stats: list[Reactor] = []
        views = ViewServer(folder.socket, encode, core.keys, lambda: stats[0].stats())
        stack.callback(views.close)
        stops = StopServer(folder.stop_socket, -1)
        stack.callback(stops.close)
        reactor = Reactor(core, clock, inbox, helper, latch_file, writer, views, stops)
        stats.append(reactor)
        print(f"engine of {site.name} is up (process {os.getpid()}, ledger {ledger})", flush=True)
        reactor.run()
        print(f"engine of {site.name} ends: {core.world.ending}", flush=True)


def _memory(
    site: Site, writer: LedgerWriter, ledger: Path, latch_file: LatchFile, memory_file: Path
) -> Memory:
    start = writer.start
    controllers = tuple(c.name for c in site.controllers)
    latch = Latch()
    if latch_file.record:
        try:
            latch = latch_of(latch_file.record, controllers)
        except ValueError as error:
            print(f"the stop latch cannot be read: {error}", file=sys.stderr)
    tonight: dict[str, tuple[int, int]] = {}
    if start.night is not None:
        with Reader.open(ledger) as reader:
            for name, counts in reader.counts(start.night.night_id).items():
                tonight[name] = (counts.cycles, counts.missed)
    with Reader.open(ledger) as reader:
        tags = tags_of(reader)
        overrides = overrides_of(reader, start.night.night_id if start.night else None)
        opening = opening_of(reader, start.night)
        past = past_of(reader, start.night.night_id if start.night else None)
        last = {prop.name: _last_cycles(reader, prop.name) for prop in site.props}
    return Memory(
        latch=latch, night=start.night, counters=start.counters, boot_maps=start.boot_maps,
        tonight=tonight, show=recall(memory_file), tags=tags, overrides=overrides, past=past,
        last_cycles=last, opening=opening,
    )  # fmt: skip


def _last_cycles(reader: Reader, prop: str) -> tuple[CycleView, ...]:
    rows = list(reader.cycles(Filter(prop=prop, newest=LAST_CYCLES)))
    return tuple(
        CycleView(
            row.number, row.sequence, row.trigger, row.outcome, row.started_ns, row.duration_ms,
            tuple((t.motion, t.direction, t.ms) for t in row.travels),
        )
        for row in reversed(rows)
    )  # fmt: skip


@contextlib.contextmanager
def _locked(folder: EngineFolder, holder: Mapping[str, object]) -> Iterator[None]:
    lock: IO[str] = folder.lock.open("a+", encoding="utf-8")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.seek(0)
        other: Mapping[str, object] = {}
        with contextlib.suppress(ValueError):
            other = json.loads(lock.read(4096))
        lock.close()
        raise UserError(
            f"an engine of {holder['site']} is running already (process {other.get('pid', '?')})",
            "Open a console on it with `sexton attach`, or end it first.",
        ) from None
    try:
        lock.seek(0)
        lock.truncate()
        lock.write(json.dumps(dict(holder)))
        lock.flush()
        yield
    finally:
        lock.seek(0)
        lock.truncate()
        lock.close()


def _on_simulated_lines(site: Site, ports: Path) -> Site:
    moved = {"usb_serial": None, "usb_location": None, "url": None}
    lines = tuple(
        line
        if line.path and Path(line.path).parent.resolve() == ports.resolve()
        else line.model_copy(update={**moved, "path": str(ports.resolve() / line.name)})
        for line in site.lines
    )
    return site.model_copy(update={"lines": lines})
