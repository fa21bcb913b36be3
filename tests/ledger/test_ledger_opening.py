"""Files that are no ledger, damaged ones and ones in use: one clear line each, nothing changed."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.errors import UserError
from console.ledger.entries import CycleEntry, EventEntry, NightOpened
from console.ledger.ledger import Ledger
from console.ledger.migrations import KNOWN_VERSION
from console.ledger.reader import Reader

MakeCycle = Callable[..., CycleEntry]
Open = Callable[[Path], object]

both = pytest.mark.parametrize("opened", [Ledger.open, Reader.open], ids=["writing", "reading"])


@pytest.fixture
def filled(path: Path, cycle: MakeCycle) -> Path:
    """A closed ledger with some hundred rows."""
    with Ledger.open(path) as ledger:
        ledger.append([NightOpened(1, "Ines"), *(cycle(n) for n in range(1, 301))])
        ledger.append([EventEntry("armed", f"prop {n}", {}, n) for n in range(200)])
    return path


def _refusal(opened: Open, path: Path) -> UserError:
    with pytest.raises(UserError) as caught:
        opened(path)
    assert "\n" not in caught.value.message
    assert caught.value.hint
    return caught.value


@both
def test_a_folder_is_no_ledger(opened: Open, tmp_path: Path) -> None:
    """A folder in place of a file is named as one."""
    assert "is a folder" in _refusal(opened, tmp_path).message


@both
def test_another_kind_of_file_is_no_ledger(opened: Open, path: Path) -> None:
    """A site file given as the ledger is refused and stays as it is."""
    text = b"site: Morrowfen Ice Works\n" * 400
    path.write_bytes(text)
    assert "some other kind of file" in _refusal(opened, path).message
    assert path.read_bytes() == text


@both
def test_another_database_is_no_ledger(opened: Open, path: Path) -> None:
    """Some other program's SQLite file is refused before anything is written to it."""
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    before = path.read_bytes()
    assert "but not a ledger" in _refusal(opened, path).message
    assert path.read_bytes() == before


@both
def test_a_newer_schema_is_refused(opened: Open, filled: Path) -> None:
    """A ledger that a newer program wrote is left alone, with both versions in the message."""
    with sqlite3.connect(filled) as newer:
        newer.execute(f"PRAGMA user_version = {KNOWN_VERSION + 6}")
    newer.close()
    message = _refusal(opened, filled).message
    assert "newer sexton" in message
    assert str(KNOWN_VERSION + 6) in message


@both
def test_no_ordinary_file_is_no_ledger(opened: Open) -> None:
    """A device is refused, not read for ever."""
    assert "no ordinary file" in _refusal(opened, Path("/dev/zero")).message


def test_reading_makes_nothing(path: Path) -> None:
    """Looking for a ledger that is not there leaves no file behind."""
    assert "there is no ledger" in _refusal(Reader.open, path).message
    assert list(path.parent.iterdir()) == []


def test_writing_needs_the_folder(tmp_path: Path) -> None:
    """A mistyped folder is not made in silence."""
    assert "no folder" in _refusal(Ledger.open, tmp_path / "typo" / "a.ledger").message


def test_an_empty_file_becomes_a_ledger(path: Path) -> None:
    """A file of no bytes holds nothing that could be lost: writers use it, readers say so."""
    path.touch()
    assert "is empty" in _refusal(Reader.open, path).message
    with Ledger.open(path) as ledger:
        assert ledger.append([NightOpened(1, "Ines")]).stored == 1


def test_a_cut_file_is_found_on_opening(filled: Path) -> None:
    """The last pages are missing, as after a bad copy."""
    whole = filled.read_bytes()
    filled.write_bytes(whole[: len(whole) // 2])
    refusal = _refusal(Ledger.open, filled)
    assert "is damaged" in refusal.message
    assert "Move it away" in refusal.hint
    assert filled.read_bytes() == whole[: len(whole) // 2]


def test_a_page_of_noise_is_found_on_opening(filled: Path) -> None:
    """One page in the middle of the cycles holds nonsense."""
    whole = bytearray(filled.read_bytes())
    page = len(whole) // 4096 // 2
    whole[page * 4096 : (page + 1) * 4096] = bytes(range(256)) * 16
    filled.write_bytes(whole)
    assert "is damaged" in _refusal(Ledger.open, filled).message


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small closed ledger to damage copies of."""
    path = tmp_path_factory.mktemp("sample") / "works.ledger"
    with Ledger.open(path) as ledger:
        ledger.append([EventEntry("armed", f"prop {n}", {"n": n}, n) for n in range(150)])
    return path


@given(
    hits=st.lists(st.tuples(st.integers(0, 2**20), st.binary(min_size=1, max_size=64)), max_size=6),
    cut=st.none() | st.integers(0, 2**20),
)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_damage_of_any_kind_ends_in_one_line(
    hits: list[tuple[int, bytes]], cut: int | None, sample: Path, tmp_path: Path
) -> None:
    """Whatever the disk did, opening works or raises UserError, and never anything else."""
    path = tmp_path / "works.ledger"
    for left in tmp_path.iterdir():
        left.unlink()
    data = bytearray(sample.read_bytes())
    for at, noise in hits:
        at %= len(data)
        data[at : at + len(noise)] = noise
    path.write_bytes(data[: None if cut is None else cut % len(data)])
    for opened in (Ledger.open, Reader.open):
        with contextlib.suppress(UserError):
            opened(path).close()


def test_a_second_writer_is_refused_and_told_who_holds_it(path: Path) -> None:
    """Two engines on one ledger could damage it; the second learns the first one's process."""
    with Ledger.open(path):
        refusal = _refusal(Ledger.open, path)
        assert f"another process ({os.getpid()})" in refusal.message
    Ledger.open(path).close()


def test_a_link_lets_no_second_writer_in(path: Path) -> None:
    """Two names of one file are one ledger."""
    link = path.with_name("link.ledger")
    link.symlink_to(path)
    with Ledger.open(path):
        assert "another process" in _refusal(Ledger.open, link).message


def test_the_lock_of_a_killed_writer_is_gone(path: Path) -> None:
    """A writer that died holds nothing."""
    script = (
        "import sys, pathlib, time; from console.ledger.ledger import Ledger;"
        "kept = Ledger.open(pathlib.Path(sys.argv[1])); print('open', flush=True); time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(path)], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        assert f"({process.pid})" in _refusal(Ledger.open, path).message
        process.kill()
    Ledger.open(path).close()


_AS_NOBODY = """
import os, pathlib, sys
from console.errors import UserError
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
path = pathlib.Path(sys.argv[1])
try:
    Ledger.open(path).close()
    print("written")
except UserError as error:
    print(error.message)
try:
    with Reader.open(path) as reader:
        print(len(list(reader.cycles())))
except UserError as error:
    print(error.message)
"""


@pytest.fixture
def public(filled: Path) -> Iterator[Path]:
    """A ledger in a folder that everybody may enter, unlike pytest's own."""
    with tempfile.TemporaryDirectory(prefix="sexton-test-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        shutil.copy(filled, folder)
        yield folder / filled.name
        folder.chmod(0o755)


def _as_nobody(path: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", _AS_NOBODY, str(path)],
        capture_output=True,
        text=True,
        check=True,
        cwd="/",
        env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )
    return done.stdout.splitlines()


def test_a_read_only_ledger_is_read_and_not_written(public: Path) -> None:
    """Without the right to write, writing is refused in one line and reading works."""
    public.chmod(0o444)
    public.parent.chmod(0o555)
    written, read = _as_nobody(public)
    assert "cannot be written" in written
    assert read == "300"


def test_a_read_only_file_in_a_folder_of_ours_is_not_written(public: Path) -> None:
    """The file alone is protected; the folder is not."""
    public.chmod(0o444)
    public.parent.chmod(0o777)
    written, read = _as_nobody(public)
    assert "cannot be written" in written
    assert read == "300"


def test_an_unreadable_ledger_is_refused(public: Path) -> None:
    """Nobody but its owner may look into it."""
    public.chmod(0o600 if os.geteuid() == 0 else 0o000)
    written, read = _as_nobody(public)
    assert "cannot be" in written
    assert "cannot be opened" in read
