"""An engine as a process on real firmware boards: two consoles and a shell send groups."""

from __future__ import annotations

import asyncio
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import pytest

from console.views.client import EngineClient
from console.views.models import Entity, GroupView
from tests.boards import KINDS, ROOT
from tests.engine.real import RealSite, until


class Seen:
    """What one console has heard."""

    def __init__(self) -> None:
        self.entities: dict[str, Entity] = {}

    def snapshot(self, entities: Mapping[str, Entity]) -> None:
        self.entities = dict(entities)

    def patch(self, changed: Mapping[str, Entity], dropped: Iterable[str]) -> None:
        self.entities.update(changed)
        for key in dropped:
            self.entities.pop(key, None)

    def lost(self, why: str) -> None:
        self.entities = {}

    @property
    def groups(self) -> list[tuple[int, str, str]]:
        found = [e for e in self.entities.values() if isinstance(e, GroupView)]
        return sorted((g.number, g.strength, g.by) for g in found)


@pytest.fixture
def site() -> Iterator[RealSite]:
    """A site of one firmware board with its engine running and everything armed."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    real = RealSite(folder, KINDS["firmware"](), 1)
    try:
        real.start_boards()
        real.start_engine()
        real.until_live()
        real.arm_all()
        yield real
    finally:
        real.close()
        shutil.rmtree(folder, ignore_errors=True)


def sexton(site: RealSite, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the command on this site."""
    return subprocess.run(
        [sys.executable, "-m", "console.cli", "group", *words, "--site", str(site.site)],
        cwd=ROOT, capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip


async def _until(given: object, seconds: float = 5.0) -> None:
    assert callable(given)
    async with asyncio.timeout(seconds):
        while not given():
            await asyncio.sleep(0.02)


async def test_two_consoles_send_in_turn_and_see_the_same(site: RealSite) -> None:
    """A group sent at the entrance shows at the desk, and the other way round."""
    views = [Seen(), Seen()]
    path = site.sockets.socket
    clients = [EngineClient(path, v, name=n) for v, n in zip(views, ("in", "desk"), strict=True)]
    tasks = [asyncio.create_task(c.run()) for c in clients]
    try:
        await _until(lambda: all(v.entities for v in views))
        first = await clients[0].request("send_group", strength="strong", by="entrance")
        second = await clients[1].request("send_group", strength="quiet", by="desk")
        assert (first.result["group"], second.result["group"]) == (1, 2)
        both = [(1, "strong", "entrance"), (2, "quiet", "desk")]
        await _until(lambda: all(v.groups == both for v in views))
        moved = await clients[1].request("correct_group", group=1, zone="left")
        assert moved.ok
        await _until(lambda: all(v.groups == both[1:] for v in views))
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def test_the_shell_sends_a_group_that_shows_at_the_pins(site: RealSite) -> None:
    """A mild group gets nothing from a prop that has nothing mild; behind it all is as before."""
    sent = sexton(site, "send", "--strength", "mild", "--size", "3", "--without", "fog", "--json")
    assert sent.returncode == 0, sent.stderr
    said = json.loads(sent.stdout)
    assert (said["ok"], said["group"], said["size"]) == (True, 1, 3)
    until(lambda: site.view("prop/prop-1")["sequence"] == "stays quiet", 5, "it stays quiet")
    site.trigger("board-1")
    until(lambda: site.view("prop/prop-1")["cycles_life"] == 1, 5, "the pause is counted")
    assert site.bench("board-1").pins().outputs == 0
    listed = sexton(site, "list", "--json")
    group = json.loads(listed.stdout)["groups"][0]
    assert (group["number"], group["strength"], group["exclude"]) == (1, "mild", ["fog"])
    assert site.ask("correct_group", group=1, zone="left").ok
    until(lambda: site.view("prop/prop-1")["sequence"] == "go", 5, "as before")


def test_an_unknown_strength_ends_with_2_and_names_the_known_ones(site: RealSite) -> None:
    """A strength that does not exist is an error of the command line."""
    ended = sexton(site, "send", "--strength", "fierce")
    assert ended.returncode == 2
    assert "quiet, mild, standard, strong" in ended.stderr
