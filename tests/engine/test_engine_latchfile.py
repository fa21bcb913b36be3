"""The latch file: whole after a kill, in place on a full disk, never mistaken when damaged."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from console.engine.latchfile import SIZE, LatchFile
from console.errors import UserError
from tests.boards import ROOT, until

_SAVER = """
import sys
from pathlib import Path
from console.engine.latchfile import LatchFile
latch = LatchFile(Path(sys.argv[1]), lambda trouble: None)
print("ready", flush=True)
n = 0
while True:
    n += 1
    latch.save({"latched": True, "id": n})
    print(n, flush=True)
"""


def opened(path: Path, saved: list[str] | None = None) -> LatchFile:
    """The latch file, with what it reports put into a list."""
    return LatchFile(path, (saved if saved is not None else []).append)


def test_what_was_saved_is_there_again(folder: Path) -> None:
    """The newest record wins, however often it was written."""
    path = folder / "yard.latch"
    saved: list[str] = []
    latch = opened(path, saved)
    assert latch.record == {}
    for n in range(5):
        latch.save({"latched": True, "id": n})
    latch.close()
    assert path.stat().st_size == SIZE
    assert saved
    assert set(saved) == {""}
    again = opened(path)
    assert again.record == {"latched": True, "id": 4}
    again.close()


def test_a_damaged_slot_leaves_the_other(folder: Path) -> None:
    """A write that was cut falls back to the record before it."""
    path = folder / "yard.latch"
    latch = opened(path)
    latch.save({"latched": True, "id": 1})
    latch.save({"latched": True, "id": 2})
    latch.close()
    data = bytearray(path.read_bytes())
    newest = data.index(b'"id":2')
    data[newest + 5] = ord("7")
    path.write_bytes(data)
    again = opened(path)
    assert again.record == {"latched": True, "id": 1}
    again.close()


@pytest.mark.parametrize("junk", [b"", b"\0" * SIZE, b"\xff" * 100, b"0000000001 zz 12 {}" * 200])
def test_junk_is_no_latch(folder: Path, junk: bytes) -> None:
    """A file of any other content reads as empty and can be written."""
    path = folder / "yard.latch"
    path.write_bytes(junk)
    latch = opened(path)
    assert latch.record == {}
    latch.save({"latched": True, "id": 3})
    latch.close()
    again = opened(path)
    assert again.record["id"] == 3
    again.close()


def test_a_record_too_long_keeps_its_latch(folder: Path) -> None:
    """Names that do not fit are left away; that it is latched, and its id, never."""
    path = folder / "yard.latch"
    latch = opened(path)
    latch.save({"latched": True, "id": 9, "source": "x" * 5000, "left_out": ["y" * 5000]})
    latch.close()
    again = opened(path)
    assert (again.record["latched"], again.record["id"]) == (True, 9)
    again.close()


def test_kill_9_at_any_moment_leaves_a_whole_record(folder: Path) -> None:
    """Killed in the middle of writing, twenty times: what was printed as saved is never lost."""
    path = folder / "yard.latch"
    for _ in range(20):
        saver = subprocess.Popen(
            [sys.executable, "-c", _SAVER, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        assert saver.stdout is not None
        assert saver.stdout.readline() == "ready\n"
        for _ in range(30):
            saver.stdout.readline()
        saver.send_signal(signal.SIGKILL)
        said = [int(n) for n in saver.stdout.read().split("\n")[:-1]]
        saver.wait()
        saver.stdout.close()
        latch = opened(path)
        assert latch.record["id"] >= max(said, default=30)
        latch.close()
        path.unlink()


def test_a_full_disk_keeps_no_stop_from_being_saved(folder: Path) -> None:
    """Made at its full size, the file is written in place when nothing else can be."""
    place = folder / "small"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("mounting a small disk needs more rights")
    try:
        saved: list[str] = []
        latch = opened(place / "yard.latch", saved)
        with open(place / "rest", "wb", 0) as rest, contextlib.suppress(OSError):
            while rest.write(b"x" * 4096):
                pass
        assert os.statvfs(place).f_bavail == 0
        latch.save({"latched": True, "id": 5})
        until(lambda: saved, 5, "the sync is over")
        assert saved == [""]
        latch.close()
        again = opened(place / "yard.latch")
        assert again.record["id"] == 5
        again.close()
        with pytest.raises(UserError, match="cannot be made"):
            opened(place / "other.latch")
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_file_that_cannot_be_made_is_said_in_one_line(folder: Path) -> None:
    """Where the folder is missing the engine does not start, and says what to do."""
    with pytest.raises(UserError, match="cannot be made") as caught:
        opened(folder / "missing" / "yard.latch")
    assert caught.value.hint


def test_the_file_is_private(folder: Path) -> None:
    """Nobody else can lift a latch by writing it."""
    latch = opened(folder / "yard.latch")
    assert os.stat(folder / "yard.latch").st_mode & 0o077 == 0
    latch.close()
