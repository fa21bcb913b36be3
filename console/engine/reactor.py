"""The loop around the core: one selector over raw descriptors, stop sources before all else.

Between any two handlers the stop sources are looked at again, so a stop waits for one handler at
most, and no handler takes long: slow things are done by the helper, the ledger's and the latch
file's threads, which wake the loop through a pipe.
"""

from __future__ import annotations

import gc
import select
import selectors
import signal
import socket
import sys
import time
import traceback
from collections import deque
from collections.abc import Callable, Mapping

from console.engine import effects as fx
from console.engine import events as ev
from console.engine.clock import Clock
from console.engine.core import Core
from console.engine.durably import refused_body
from console.engine.helper import Helper, Opened
from console.engine.inbox import Inbox
from console.engine.latchfile import LatchFile
from console.engine.server import ViewServer
from console.engine.stopserver import StopServer
from console.engine.wires import Wires, expect
from console.ledger.writer import LedgerWriter
from console.rules.text import plain
from console.views.models import Refusal

_IDLE_COLLECT_MS = 20_000.0
_GIVE_WAY_S = 0.0002
"""How long the other threads may keep the interpreter from the loop."""


class Reactor:
    """Runs a core until it ends. Everything it is given is closed by its owner afterwards."""

    def __init__(
        self,
        core: Core,
        clock: Clock,
        inbox: Inbox,
        helper: Helper,
        latch_file: LatchFile,
        writer: LedgerWriter,
        views: ViewServer,
        stops: StopServer,
    ) -> None:
        self._core = core
        self._clock = clock
        self._inbox = inbox
        self._helper = helper
        self._latch_file = latch_file
        self._writer = writer
        self._views = views
        self._stops = stops
        self._selector = selectors.DefaultSelector()
        self._wires = Wires(self._selector, helper, self._feed, inbox.put)
        self._stop_poll = select.poll()
        self._stop_handlers: dict[int, Callable[[], None]] = {}
        self._ended = False
        self._took_ms: deque[float] = deque(maxlen=20_000)
        self._worked_ms: deque[float] = deque(maxlen=20_000)
        self._collected_ms = 0.0
        self._lagging: set[int] = set()

    def run(self, signals: tuple[signal.Signals, ...] = (signal.SIGTERM, signal.SIGINT)) -> None:
        """Serve until the core ends. Installs handlers for `signals`; SIGHUP is ignored."""
        self._listen()
        self._catch(signals)
        gc.collect()
        gc.freeze()
        gc.disable()
        gives_way_s = sys.getswitchinterval()
        sys.setswitchinterval(_GIVE_WAY_S)
        try:
            self._feed(ev.Tick())
            while not self._ended:
                self._once()
        finally:
            gc.enable()
            sys.setswitchinterval(gives_way_s)
            signal.set_wakeup_fd(-1)
            self._wires.close()
            self._selector.close()

    def stats(self) -> Mapping[str, object]:
        """How long the last handlers took, in ms, by the clock and in time of their own.

        On a machine that is busy with other things the two differ.
        """
        found: dict[str, object] = {"handlers": len(self._took_ms)}
        for name, values in (("", self._took_ms), ("own_", self._worked_ms)):
            took = sorted(values) or [0.0]
            found[f"{name}median_ms"] = round(took[len(took) // 2], 3)
            found[f"{name}p99_ms"] = round(took[int(len(took) * 0.99)], 3)
            found[f"{name}worst_ms"] = round(took[-1], 3)
        return found

    # --- the loop -----------------------------------------------------------------------------

    def _once(self) -> None:
        now = self._clock.now()
        due = self._core.next_deadline()
        views_due = self._views.wants(now.mono_ms)
        if views_due is not None:
            due = min(due, views_due)
        wait_s = max(0.0, (due - now.mono_ms) / 1000)
        ready = self._selector.select(wait_s)
        self._serve_stops()
        for key, mask in ready:
            handler: Callable[[int], None] = key.data
            if key.fd in self._stop_handlers or key.fd not in self._selector.get_map():
                continue
            self._timed(lambda h=handler, m=mask: h(m))  # type: ignore[misc]
            self._serve_stops()
        if self._core.next_deadline() <= self._clock.now().mono_ms:
            self._timed(lambda: self._feed(ev.Tick()))
            self._serve_stops()
        self._timed(self._show)
        now_ms = self._clock.now().mono_ms
        if not ready and now_ms - self._collected_ms > _IDLE_COLLECT_MS:
            self._collected_ms = now_ms
            gc.collect(1)

    def _timed(self, handler: Callable[[], object]) -> None:
        began, worked = time.perf_counter(), time.thread_time()
        handler()
        self._worked_ms.append((time.thread_time() - worked) * 1000)
        self._took_ms.append((time.perf_counter() - began) * 1000)

    def _serve_stops(self) -> None:
        for fd, _ in self._stop_poll.poll(0):
            handler = self._stop_handlers.get(fd)
            if handler is not None:
                handler()

    def _show(self) -> None:
        dirty = self._core.take_dirty()
        if dirty:
            self._views.changed(dirty)
        now_ms = self._clock.now().mono_ms
        if self._views.wants(now_ms) is not None:
            self._views.work(now_ms)
        self._watch_unsent()

    # --- feeding the core ---------------------------------------------------------------------

    def _feed(self, event: ev.Event) -> None:
        for effect in self._core.handle(event, self._clock.now()):
            self._do(effect)

    def _do(self, effect: fx.Effect) -> None:
        match effect:
            case fx.StopLines():
                self._wires.stop()
            case fx.Send(line, data):
                self._wires.send(line, data)
            case fx.SaveLatch(record):
                self._latch_file.save(record)
            case fx.Append(batch, entries):
                self._writer.submit(batch, entries)
            case fx.Answer(client, body, on_stop_socket):
                if on_stop_socket:
                    self._stops.answer(client, body)
                else:
                    self._views.answer(client, body)
            case fx.OpenPort(line, device, baud):
                self._helper.open(line, device, baud)
            case fx.ClosePort(line):
                self._wires.lose(line, "closed, to look for its board elsewhere")
            case fx.ListPorts():
                self._helper.list()
            case fx.Remember(record):
                self._helper.remember(record)
            case fx.End():
                self._ended = True

    # --- stop sources, signals, threads -------------------------------------------------------

    def _listen(self) -> None:
        self._stop_source(self._stops.listener.fileno(), self._accept_stop)
        self._selector.register(
            self._views.listener, selectors.EVENT_READ, lambda _: self._accept_client()
        )
        self._selector.register(self._inbox.fd, selectors.EVENT_READ, lambda _: self._take_inbox())

    def _stop_source(self, fd: int, handler: Callable[[], None]) -> None:
        self._stop_handlers[fd] = handler
        self._stop_poll.register(fd, select.POLLIN)
        self._selector.register(fd, selectors.EVENT_READ, lambda _: None)

    def _accept_stop(self) -> None:
        link = self._stops.accept()
        if link is not None:
            fd = link.fileno()
            self._stop_source(fd, lambda: self._stop_ready(fd))
            self._stop_ready(fd)

    def _stop_ready(self, fd: int) -> None:
        call = self._stops.read(fd)
        if call.stops:
            sent_ms = self._wires.stop()
            told = self._stops.rest(call.client)
            source = plain(str(told.get("source", "stop key")), 60)
            self._feed(
                ev.StopAsked(source, plain(str(told.get("by", "")), 60), sent_ms, call.client)
            )
        else:
            for line in self._stops.lines(call.client):
                if "ping" in line:
                    self._stops.answer(call.client, {"pong": 1})
        if call.ended:
            self._selector.unregister(fd)
            self._stop_poll.unregister(fd)
            del self._stop_handlers[fd]
            self._stops.drop(fd)
            self._feed(ev.ClientLeft(call.client))

    def _catch(self, signals: tuple[signal.Signals, ...]) -> None:
        near, far = socket.socketpair()
        near.setblocking(False)
        far.setblocking(False)
        self._pair = (near, far)
        signal.set_wakeup_fd(far.fileno(), warn_on_full_buffer=False)
        for number in signals:
            signal.signal(number, lambda *_: None)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)
        self._stop_source(near.fileno(), self._signalled)

    def _signalled(self) -> None:
        try:
            numbers = self._pair[0].recv(64)
        except BlockingIOError:
            return
        if numbers:
            self._feed(ev.Ending(f"signal {signal.Signals(numbers[0]).name}"))

    def _accept_client(self) -> None:
        link = self._views.accept()
        if link is not None:
            fd = link.fileno()
            self._selector.register(
                fd, selectors.EVENT_READ, lambda mask: self._client_ready(fd, mask)
            )

    def _client_ready(self, fd: int, mask: int) -> None:
        if mask & selectors.EVENT_WRITE:
            self._views.flush(fd)
        if not mask & selectors.EVENT_READ:
            return
        events = self._views.read(fd)
        if events is None:
            self._selector.unregister(fd)
            self._feed(ev.ClientLeft(self._views.drop(fd)))
            return
        for event in events:
            self._feed_request(event)
            self._serve_stops()

    def _feed_request(self, event: ev.Event) -> None:
        """Feed what a client said; what goes wrong in it is answered and does not end the night."""
        try:
            self._feed(event)
        except Exception as error:  # noqa: BLE001 - see above
            traceback.print_exc()
            if isinstance(event, ev.Asked):
                refusal = Refusal(
                    "engine",
                    f"the engine has a fault in this request ({type(error).__name__})",
                    "Look at what is shown before asking again; the engine's log has the details.",
                )
                self._views.answer(event.client, refused_body(event.request, (refusal,)))

    def _take_inbox(self) -> None:
        self._inbox.drain()
        while (item := self._inbox.take()) is not None:
            match item:
                case Opened():
                    self._wires.opened(item)
                case ev.PortClosed(line, message):
                    self._wires.lose(line, message)
                case (
                    ev.PortFailed() | ev.PortsListed() | ev.Written() | ev.LatchSaved()
                    | ev.UpkeepLooked()
                ):  # fmt: skip
                    self._feed(item)
            self._serve_stops()

    def _watch_unsent(self) -> None:
        """Have the selector tell when clients that lag behind can take more."""
        unsent = set(self._views.unsent())
        for fd in unsent ^ self._lagging:
            expect(self._selector, fd, fd in unsent)
        self._lagging = unsent
        for client in self._stops.unsent():
            self._stops.flush(client)
