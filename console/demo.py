"""A night on simulated boards: the processes that make one, and what they counted.

A demo has a private folder with a copy of its site file, the pseudo-terminals of its boards, their
memory and the engine's stop latch. Its engine opens nothing outside that folder. Only the ledger
lies with the user's other records, under a name of its own.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import select
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

from console.demo_plant import plant_of
from console.errors import UserError
from console.launch import Keeper, python, running
from console.places import data_dir, engine_folder, engine_folders, slug_of
from console.site.loading import load
from console.site.shipped import shipped
from console.views.client import Reply, call, snapshot
from console.views.models import ControllerView, LinkState, PropState, PropView, SiteView

_READY_WITHIN_S = 30.0
_SETTLE_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.1
_STRENGTHS = {"mild": 2, "standard": 5, "strong": 3}
"""How often a group of the demo asks for each."""
_MOVING = (PropState.RUNNING, PropState.ARMED)


class Demo:
    """Boards, guests and an engine of their own; all of it ends with the `with` block.

    Should this process be killed, the others end by themselves: they all hold the other end of one
    pipe.
    """

    mark = "DEMO"
    """What every screen says, so that nobody takes it for the real thing."""

    def __init__(
        self,
        ledger: Path | None,
        *,
        seed: int | None,
        rate: float,
        site_file: Path | None = None,
    ) -> None:
        """`rate` is how many times as busy as usual the guests are.

        Without `site_file` it is the site that came with the program.
        """
        self._source = site_file or shipped("demo")
        self._given_ledger = ledger
        self.seed, self._rate = seed, rate
        self._stack = contextlib.ExitStack()
        self._night: subprocess.Popen[bytes] | None = None
        self._keeper: Keeper | None = None
        self._cycles: dict[str, int] = {}
        self._chance = random.Random(seed)
        self._begun = False

    def __enter__(self) -> Self:
        """Start everything and wait until every board is live. Raises UserError."""
        try:
            self._start()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        """End everything, in order."""
        self._stack.close()

    def _start(self) -> None:
        self.place = Path(tempfile.mkdtemp(prefix="sexton-demo-"))
        self._stack.callback(shutil.rmtree, self.place, ignore_errors=True)
        self.site_file = self.place / f"{self.mark.lower()}.yaml"
        try:
            shutil.copyfile(self._source, self.site_file)
        except OSError as error:
            raise UserError(
                f"{self._source} cannot be read: {error.strerror}", "Name a site file."
            ) from None
        self.bench = self.place / "bench.sock"
        self.site = load(self.site_file)
        self.ports = self.place / "ports"
        self.ports.mkdir()
        slug = slug_of(self.site_file, demo=True)
        self.folder = engine_folder(slug)
        self.ledger = (self._given_ledger or self._own_ledger(slug)).resolve()
        pipe, leash = os.pipe()
        self._stack.callback(os.close, pipe)
        self._stack.callback(os.close, leash)
        self._start_night(pipe)
        log = self.place / "engine.log"
        command = python("console.commands.demo_engine", str(self.site_file))
        command += ["--ledger", str(self.ledger), "--ports", str(self.ports), "--mark", self.mark]
        own = {"SEXTON_DATA": str(self.place / "data")}  # its latch is none of the next demo's
        self._keeper = Keeper(self.folder, command, log, stdin=pipe, environment=own)
        self._stack.callback(shutil.rmtree, self.folder.folder, ignore_errors=True)
        self._stack.callback(self._keeper.end)
        self._keeper.ensure()
        self._wait(self._all_live, _READY_WITHIN_S, "the simulated boards do not answer")

    # --- what one can have of it --------------------------------------------------------------

    def begin(self) -> None:
        """Open a night and arm every prop, as an operator would: the boards are simulated."""
        site = snapshot(self.folder.socket)["site"]
        assert isinstance(site, SiteView)
        if site.night is None:
            self._ask("open_night", by="demo")
        # Somebody may have stopped everything already; the demo goes on, stopped, as a site would.
        call(self.folder.socket, "arm", {"props": [prop.name for prop in self.site.props]})
        self._begun = True

    def end_night(self) -> None:
        """Disarm everything, let what moves come to rest, and close the night."""
        # The engine may just have been started again; cycles wait on the boards until it is up.
        self._wait(self._all_live, _READY_WITHIN_S, "the engine does not come back")
        self._begun = False
        self._ask("disarm", props=[prop.name for prop in self.site.props])
        with contextlib.suppress(UserError):
            self._wait(self._settled, _SETTLE_WITHIN_S, "")
        self._ask("close_night", by="demo")

    def end_engine(self) -> None:
        """End the engine in order, so that all it knows is in the ledger."""
        if self._keeper is not None:
            self._keeper.end()

    def tend(self) -> None:
        """Keep it going; to be called a few times a second. Raises UserError if it cannot."""
        if self._night is not None and self._night.poll() is not None:
            raise UserError("the simulated boards have ended", "Start the demo again.")
        if self._keeper is not None:
            self._keeper.tend()
        self._send_groups()

    @contextlib.contextmanager
    def watched(self) -> Iterator[None]:
        """Count as a console meanwhile: a night that nobody watches is an alarm."""
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.connect(str(self.folder.socket))
            hello = {"kind": "console", "name": "demo", "pid": os.getpid()}
            link.sendall(json.dumps({"hello": hello}).encode() + b"\n")
            yield

    def _send_groups(self) -> None:
        """Say at the entrance who goes in, as an operator would, for every group of the plant."""
        if self._night is None or self._night.stdout is None:
            return
        while self._begun and select.select([self._night.stdout], [], [], 0)[0]:
            word, _, size = self._night.stdout.readline().decode().partition(" ")
            if word != "group":
                return
            strength = self._chance.choices(*zip(*_STRENGTHS.items(), strict=True))[0]
            args = {"size": int(size), "strength": strength, "by": self.mark.lower()}
            with contextlib.suppress(OSError):
                call(self.folder.socket, "send_group", args)

    # --- inside -------------------------------------------------------------------------------

    def _start_night(self, pipe: int) -> None:
        """Start the boards and their guests, in one process, and wait until they are up."""
        plant, boards = self.place / "plant.json", self.place / "boards"
        plant.write_text(plant_of(self.site).to_json())
        words = ["--description", str(plant), "--folder", str(boards), "--speed", str(self._rate)]
        words += ["--bench", str(self.bench), "--say-groups"]
        if self.seed is not None:
            words += ["--seed", str(self.seed)]
        for line in self.site.lines:
            (self.ports / line.name).symlink_to(boards / f"{line.name}.port")
        self._night = subprocess.Popen(
            python("drivers.simulated.night", *words), stdin=pipe, stdout=subprocess.PIPE
        )
        self._stack.callback(self._end_boards, self._night)
        assert self._night.stdout is not None
        ready, _, _ = select.select([self._night.stdout], [], [], _READY_WITHIN_S)
        if not ready or not self._night.stdout.readline():
            raise UserError("the simulated boards do not start", "Try again.")

    @staticmethod
    def _end_boards(night: subprocess.Popen[bytes]) -> None:
        night.terminate()
        try:
            night.wait(_READY_WITHIN_S)
        finally:
            night.kill()
            night.wait()

    def _ask(self, action: str, **arguments: object) -> Reply:
        try:
            reply = call(self.folder.socket, action, arguments)
        except OSError as error:
            raise UserError(f"the demo's engine does not answer: {error}", "Try again.") from None
        if not reply.ok:
            reasons = "; ".join(r.reason for found in reply.refused.values() for r in found)
            raise UserError(f"the demo cannot {action.replace('_', ' ')}: {reasons}")
        return reply

    def _wait(self, condition: Callable[[], bool], within_s: float, what: str) -> None:
        ends = time.monotonic() + within_s
        while not condition():
            self.tend()
            if time.monotonic() > ends:
                raise UserError(what, "Try again; this machine may be very busy.")
            time.sleep(_LOOK_EVERY_S)

    def _all_live(self) -> bool:
        try:
            views = snapshot(self.folder.socket).values()
        except OSError:
            return False
        links = [view.link for view in views if isinstance(view, ControllerView)]
        return bool(links) and all(link is LinkState.LIVE for link in links)

    def _settled(self) -> bool:
        try:
            views = snapshot(self.folder.socket).values()
        except OSError:
            return False
        props = [view for view in views if isinstance(view, PropView)]
        cycles = {prop.name: prop.cycles_life for prop in props}
        before, self._cycles = self._cycles, cycles
        return cycles == before and all(prop.state not in _MOVING for prop in props)

    def _own_ledger(self, slug: str) -> Path:
        """Where its kind keeps its records; another that runs meanwhile has one of its own."""
        usual = data_dir() / f"{self.mark.lower()}-{_plain(self.site.name)}.ledger"
        taken = {found.ledger for folder in engine_folders() if (found := running(folder))}
        return data_dir() / f"{slug}.ledger" if str(usual.resolve()) in taken else usual


def _plain(name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in name.lower())[:40]
