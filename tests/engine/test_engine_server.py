"""The engine's socket: this user only, snapshots and patches, and no harm by what is sent to it."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import pytest

from console.views.client import EngineClient, call
from console.views.models import Entity, PropView
from tests.boards import ROOT, simulated_command
from tests.engine.real import RealSite


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealSite]:
    """Two simulated boards and their engine, for all tests of this file."""
    import shutil
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    made = RealSite(folder, simulated_command(), 2)
    made.start_boards()
    made.start_engine()
    made.until_live()
    yield made
    made.close()
    shutil.rmtree(folder)


class Link:
    """A client that may say anything."""

    def __init__(self, path: Path, *, hello: bool = True) -> None:
        self.socket = socket.socket(socket.AF_UNIX)
        self.socket.settimeout(5)
        self.socket.connect(os.fspath(path))
        self.lines = self.socket.makefile("rb")
        if hello:
            self.say({"hello": {"kind": "shell", "name": "test", "pid": 1}})

    def say(self, body: object) -> None:
        self.socket.sendall(json.dumps(body).encode() + b"\n")

    def hear(self) -> dict:
        return json.loads(self.lines.readline())

    def close(self) -> None:
        self.lines.close()
        self.socket.close()


@pytest.fixture
def link(site: RealSite) -> Iterator[Link]:
    """A connection that has said hello."""
    made = Link(site.sockets.socket)
    yield made
    made.close()


def alive(site: RealSite) -> None:
    """The engine goes on as if nothing had been."""
    assert site.engine is not None
    assert site.engine.poll() is None
    assert set(site.states().values()) <= {"disarmed", "armed"}


@pytest.mark.parametrize(
    "garbage",
    [
        b"\n\n\n",
        b"\x00\xff\xfe\n",
        b"{\n",
        b"[]\n",
        b"null\n",
        b'{"id": "x", "do": "arm"}\n',
        b'{"id": 1, "do": 5}\n',
        b'{"id": 1, "do": "arm", "args": []}\n',
        b'{"id": true, "do": "arm", "args": {}}\n',
        b'{"hello": 5}\n',
        b"[" * 5000 + b"\n",
        b'{"id": 1, "do": "arm", "args": {"props": [["all"]]}}\n',
        b'{"id": 1, "do": "clear", "args": {"stop": "1"}}\n',
        b'{"id": 1, "do": "\\u001b[2J", "args": {}}\n',
        b"\x18\n",
    ],
)
def test_garbage_passes_no_command_and_ends_nothing(site: RealSite, garbage: bytes) -> None:
    """Each piece of nonsense is refused or ignored; the engine and its props go on."""
    link = Link(site.sockets.socket)
    link.socket.sendall(garbage)
    link.say({"id": 99, "do": "why", "args": {"prop": "prop-1"}})
    while (body := link.hear()).get("id") != 99:
        assert body["ok"] is False
    assert body["ok"] is True
    link.close()
    alive(site)


def test_a_line_too_long_is_dropped_with_an_error(site: RealSite, link: Link) -> None:
    """Megabytes without an end are thrown away as they come; the next line is heard."""
    link.socket.sendall(b'{"id": 1, "do": "arm", "args": {"props": "' + b"x" * 3_000_000 + b'"}}\n')
    assert "longer" in link.hear()["refused"][0]["reason"]
    link.say({"id": 2, "do": "why", "args": {"prop": "prop-1"}})
    assert link.hear()["id"] == 2
    alive(site)


def test_nothing_is_done_before_hello(site: RealSite) -> None:
    """A client that does not say who it is gets no command through."""
    link = Link(site.sockets.socket, hello=False)
    link.say({"id": 1, "do": "arm", "args": {"props": ["all"]}})
    body = link.hear()
    assert "hello" in body["refused"][0]["reason"]
    assert set(site.states().values()) == {"disarmed"}
    link.close()


def test_a_request_has_exactly_one_answer(link: Link) -> None:
    """Twenty requests, twenty answers, each under its own number."""
    for n in range(1, 21):
        link.say({"id": n, "do": "why", "args": {"prop": f"prop-{n % 3}"}})
    answers = [link.hear() for _ in range(20)]
    assert [a["id"] for a in answers] == list(range(1, 21))
    assert [a["ok"] for a in answers[:3]] == [True, True, False]


def test_watching_gives_a_snapshot_and_then_only_what_changed(site: RealSite, link: Link) -> None:
    """Patches name the entities that changed, at most ten times a second."""
    link.say({"id": 1, "do": "watch"})
    assert link.hear()["ok"]
    whole = link.hear()
    assert {"site", "stop", "prop/prop-1", "controller/board-2"} <= set(whole["snapshot"])
    assert call(site.sockets.socket, "arm", {"props": ["prop-1"]}).ok
    seen = {}
    while seen.get("prop/prop-1", {}).get("state") != "armed":
        patch = link.hear()
        assert patch["rev"] > whole["rev"]
        seen.update(patch["set"])
        assert "zone/yard" not in patch["set"]
    assert call(site.sockets.socket, "disarm", {"props": ["prop-1"]}).ok


def test_a_client_that_does_not_read_holds_nobody_up(site: RealSite, link: Link) -> None:
    """One watcher sleeps through a minute of changes; others are served, nothing piles up."""
    sleeper = Link(site.sockets.socket)
    sleeper.say({"id": 1, "do": "watch"})
    for _ in range(300):
        link.say({"id": 2, "do": "snapshot"})
        link.hear()
        link.hear()
    assert call(site.sockets.socket, "stats").result["worst_ms"] < 500
    sleeper.close()
    alive(site)


def test_another_user_reaches_nothing(site: RealSite) -> None:
    """The folder is private, and a stranger who got in through a held descriptor is cut off."""
    assert site.sockets.folder.stat().st_mode & 0o777 == 0o700
    if os.getuid() != 0:
        pytest.skip("only root can play another user")
    script = (
        "import os, socket, sys\n"
        "folder = os.open(sys.argv[1], os.O_PATH)\n"
        "os.setuid(65534)\n"
        "try:\n"
        "    os.stat(sys.argv[1] + '/engine.sock'); print('in')\n"
        "except PermissionError: print('kept out')\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", script, str(site.sockets.folder)],
        capture_output=True, text=True, cwd=ROOT,
    )  # fmt: skip
    assert said.stdout == "kept out\n", said.stderr


def test_a_connection_of_another_user_is_closed_unheard(site: RealSite) -> None:
    """Even with the folder opened by mistake, the peer's user id decides."""
    if os.getuid() != 0:
        pytest.skip("only root can play another user")
    script = (
        "import os, socket, sys\n"
        "os.setuid(65534)\n"
        "s = socket.socket(socket.AF_UNIX); s.settimeout(5)\n"
        "s.connect(sys.argv[1])\n"
        "try:\n"
        "    s.sendall(b'\\x18{}\\n')\n"
        "    print(s.recv(100))\n"
        "except OSError: print(b'')\n"
    )
    folder = site.sockets.folder
    opened = [folder, folder.parent, folder.parent.parent]
    before = [p.stat().st_mode & 0o777 for p in opened]
    try:
        for path in opened:
            path.chmod(0o755)
        for path in (site.sockets.socket, site.sockets.stop_socket):
            path.chmod(0o666)
        for path in (site.sockets.socket, site.sockets.stop_socket):
            said = subprocess.run(
                [sys.executable, "-c", script, str(path)], capture_output=True, text=True, cwd="/"
            )
            assert said.stdout == "b''\n", said.stderr
    finally:
        for path, mode in zip(opened, before, strict=True):
            path.chmod(mode)
        for path in (site.sockets.socket, site.sockets.stop_socket):
            path.chmod(0o600)
    assert site.view("stop")["latched"] is False


def test_the_stop_socket_answers_a_ping_and_ignores_nonsense(site: RealSite) -> None:
    """Without its byte nothing stops, whatever else is sent."""
    with socket.socket(socket.AF_UNIX) as link:
        link.settimeout(5)
        link.connect(os.fspath(site.sockets.stop_socket))
        link.sendall(b"x" * 10_000 + b"\n[]\n{\n")
        link.sendall(b'{"ping": 1}\n')
        assert link.recv(100) == b'{"pong": 1}\n'
    assert site.view("stop")["latched"] is False


class Heard:
    """A listener that remembers."""

    def __init__(self) -> None:
        self.entities: dict[str, Entity] = {}
        self.losses: list[str] = []

    def snapshot(self, entities: Mapping[str, Entity]) -> None:
        self.entities = dict(entities)

    def patch(self, changed: Mapping[str, Entity], dropped: Iterable[str]) -> None:
        self.entities.update(changed)
        for key in dropped:
            self.entities.pop(key, None)

    def lost(self, why: str) -> None:
        self.losses.append(why)


async def settled(given, seconds: float = 5.0) -> None:
    """Wait for something that another process does."""
    async with asyncio.timeout(seconds):
        while not given():
            await asyncio.sleep(0.02)


async def test_a_console_follows_the_engine_over_its_death(site: RealSite) -> None:
    """The client keeps the views, says when the engine is gone, and finds the next one."""
    heard = Heard()
    client = EngineClient(site.sockets.socket, heard, name="mara")
    following = asyncio.create_task(client.run())
    try:
        await settled(lambda: "prop/prop-1" in heard.entities)
        assert (await client.request("arm", props=["all"])).done == ("prop-1", "prop-2")

        def armed() -> bool:
            prop = heard.entities["prop/prop-1"]
            return isinstance(prop, PropView) and prop.state == "armed"

        await settled(armed)
        await asyncio.to_thread(site.end_engine, 9)
        await settled(lambda: heard.losses)
        refused = await client.request("arm", props=["all"])
        assert refused.refused[""][0].check == "engine"
        await asyncio.to_thread(site.start_engine)
        await settled(lambda: client.connected)
        await settled(lambda: not armed())
    finally:
        following.cancel()
    site.until_all("disarmed")
