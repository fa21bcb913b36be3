"""`sexton check` and `sexton new` from the shell, and the files that come with the program."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from console.site.shipped import shipped

ROOT = Path(__file__).parents[2]
BROKEN = Path(__file__).parent / "broken"


def sexton(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command as a user does."""
    return subprocess.run(
        [sys.executable, "-m", "console.cli", *map(str, words)],
        capture_output=True, text=True, timeout=60, cwd=cwd, check=False,
    )  # fmt: skip


def test_a_sound_site_passes() -> None:
    """Exit 0 and one line that says what is in it."""
    done = sexton("check", shipped("demo"))
    assert done.returncode == 0, done.stdout
    assert done.stdout.splitlines() == [
        f"{shipped('demo')}: no problem (9 props, 4 zones, 7 controllers)"
    ]


def test_a_broken_site_is_shown_with_lines_carets_and_remedies() -> None:
    """Exit 2; place, line, caret and remedy of each problem, and how many there are."""
    path = BROKEN / "unknown-key.yaml"
    done = sexton("check", path)
    assert done.returncode == 2
    lines = done.stdout.splitlines()
    assert lines[0] == f"{path}:17:48: unknown key 'travle' in motion lift of prop lid"
    assert lines[1].startswith("          lift: {output: 1,")
    assert lines[2].index("^") == lines[1].index("travle")
    assert lines[3] == "  did you mean travel?"
    assert lines[-1].endswith("1 problem (1 prop, 1 zone, 1 controller)")
    assert not done.stderr


def test_warnings_alone_leave_the_exit_code_at_0() -> None:
    """They are shown and counted all the same."""
    done = sexton("check", BROKEN / "sound-too-early.yaml")
    assert done.returncode == 0
    assert ": warning: growl needs 150 ms to start" in done.stdout
    assert "no problem, 1 warning" in done.stdout


def test_json_is_a_list_of_objects() -> None:
    """One object a finding; an empty list where all is well; also for files that cannot be read."""
    done = sexton("check", BROKEN / "many-at-once.yaml", "--json")
    assert done.returncode == 2
    found = json.loads(done.stdout)
    assert len(found) == 4
    assert set(found[0]) == {
        "file", "line", "column", "severity", "message", "remedy", "source",
    }  # fmt: skip
    assert sexton("check", shipped("demo"), "--json").stdout == "[]\n"
    gone = sexton("check", "gone.yaml", "--json")
    assert gone.returncode == 2
    assert json.loads(gone.stdout)[0]["line"] == 0


@pytest.mark.parametrize("what", ["missing", "folder", "empty", "binary", "bomb"])
def test_what_is_no_site_gets_one_line_and_exit_2(tmp_path: Path, what: str) -> None:
    """Missing, folder, empty, binary, alias bomb: no traceback, nothing on stderr."""
    path = tmp_path / "site.yaml"
    if what == "folder":
        path.mkdir()
    elif what == "empty":
        path.touch()
    elif what == "binary":
        path.write_bytes(bytes(range(256)))
    elif what == "bomb":
        lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
        lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 9)]
        path.write_text("\n".join(lines))
    done = sexton("check", path)
    assert done.returncode == 2
    assert not done.stderr
    assert done.stdout.startswith(str(path))
    if what != "bomb":
        assert len(done.stdout.splitlines()) == 1


def test_new_writes_a_starter_that_passes_and_spares_what_is_there(tmp_path: Path) -> None:
    """The starter is sound and commented; a second call refuses and changes nothing."""
    path = tmp_path / "mine.yaml"
    assert sexton("new", path).returncode == 0
    assert sexton("check", path).returncode == 0
    text = path.read_text(encoding="utf-8")
    assert text.count("#") > 40
    path.write_text("mine")
    again = sexton("new", path)
    assert again.returncode == 2
    assert "is there already" in again.stderr
    assert path.read_text() == "mine"


def test_new_into_nowhere_says_so(tmp_path: Path) -> None:
    """A folder that isn't there, or a folder's own name, is one clear message."""
    for path in (tmp_path / "no" / "site.yaml", tmp_path):
        done = sexton("new", path)
        assert done.returncode == 2
        assert "Traceback" not in done.stderr


def test_shipped_knows_only_what_comes_with_the_program() -> None:
    """Another name is an error."""
    with pytest.raises(FileNotFoundError):
        shipped("nothing")


def test_the_wheel_brings_the_site_files(tmp_path: Path) -> None:
    """Unpacked from a wheel, away from the checkout, the shipped files are found and sound."""
    if importlib.util.find_spec("hatchling") is None or importlib.util.find_spec("build") is None:
        pytest.skip("hatchling and build are needed to build a wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", tmp_path, ROOT],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    unpacked = tmp_path / "unpacked"
    zipfile.ZipFile(wheel).extractall(unpacked)
    said = subprocess.run(
        [
            sys.executable, "-c",
            "import sys; sys.path.insert(0, sys.argv[1])\n"
            "from console.site.loading import load\n"
            "from console.site.shipped import shipped\n"
            "print(shipped('demo')); print(len(load(shipped('demo')).props))",
            unpacked,
        ],
        check=True, capture_output=True, text=True, timeout=60, cwd=tmp_path,
    ).stdout.splitlines()  # fmt: skip
    assert said == [str(unpacked / "console" / "configs" / "demo.yaml"), "9"]
