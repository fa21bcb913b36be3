"""Builds the firmware for this machine, into a cache folder that the sources' digest names."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

SOURCES = Path(__file__).resolve().parent
_BUILT_FROM = ("core", "host", "virtual", "avr", "simavr", "Makefile")
SIMAVR_HEADER = Path("/usr/include/simavr/sim_avr.h")


class NoCompiler(FileNotFoundError):
    """No C compiler or no make on this machine."""


class BuildFailed(RuntimeError):
    """The compiler refused the sources; the text is what it said."""


def host_board(*, sanitize: bool = False) -> Path:
    """The host board's executable, built when needed; with the sanitizers where asked for.

    Raises NoCompiler and BuildFailed.
    """
    return _built("host_board", sanitize)


def shared_library(*, small: bool = False, sanitize: bool = False) -> Path:
    """The library on virtual time; `small` has the capacities of the small part.

    Raises NoCompiler and BuildFailed. A sanitizer build needs the sanitizer's runtime preloaded.
    """
    return _built("libsexton_small.so" if small else "libsexton.so", sanitize)


def avr_firmware() -> Path:
    """The ATmega328P's ELF with its analogue inputs on; raises NoCompiler and BuildFailed."""
    if shutil.which("avr-gcc") is None:
        raise NoCompiler("building for the ATmega328P needs avr-gcc and avr-libc")
    return _built("sexton.elf", False, "AVR_OPTIONS=-DSX_ANALOG=1")


def simavr_board() -> Path:
    """The process that runs that ELF in real time; raises NoCompiler and BuildFailed."""
    if not SIMAVR_HEADER.exists():
        raise NoCompiler("running the ATmega328P's binary needs libsimavr and its headers")
    return _built("simavr_board", False)


def digest() -> str:
    """Sixteen hexadecimal digits that change with any source file or the compiler's name."""
    total = hashlib.sha256(f"{os.environ.get('CC', 'cc')} {sys.platform}".encode())
    for path in sorted(_source_files()):
        total.update(path.relative_to(SOURCES).as_posix().encode() + b"\0" + path.read_bytes())
    return total.hexdigest()[:16]


def cache_dir() -> Path:
    """Where builds lie: `$XDG_CACHE_HOME/sexton`, `~/.cache/sexton`, or a temporary folder."""
    base = os.environ.get("XDG_CACHE_HOME")
    folder = Path(base) / "sexton" if base else Path.home() / ".cache" / "sexton"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path(tempfile.gettempdir()) / f"sexton-cache-{os.getuid()}"
        folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def compiler() -> str:
    """The C compiler's name; raises NoCompiler."""
    name = os.environ.get("CC", "cc")
    if shutil.which(name) is None or shutil.which("make") is None:
        raise NoCompiler(f"building the firmware needs a C compiler ({name}) and make")
    return name


def _source_files() -> list[Path]:
    found: list[Path] = []
    for name in _BUILT_FROM:
        path = SOURCES / name
        found += [path] if path.is_file() else path.glob("*.[ch]")
    return found


def _built(target: str, sanitize: bool, *options: str) -> Path:
    folder = cache_dir() / f"firmware-{digest()}{'-sanitized' if sanitize else ''}"
    result = folder / target
    if result.exists():
        return result
    cc = compiler()
    folder.mkdir(parents=True, exist_ok=True)
    with open(folder / ".lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not result.exists():
            _make(cc, folder, target, sanitize, options)
    return result


def _make(cc: str, folder: Path, target: str, sanitize: bool, options: Sequence[str]) -> None:
    with tempfile.TemporaryDirectory(dir=folder) as beside:
        made = Path(beside) / target
        command = ["make", "-s", "-C", os.fspath(SOURCES), f"OUT={beside}", f"CC={cc}", *options]
        command += ["SAN=1"] if sanitize else []
        done = subprocess.run(
            [*command, os.fspath(made)], capture_output=True, text=True, check=False
        )
        if done.returncode != 0:
            raise BuildFailed(done.stderr.strip())
        made.replace(folder / target)
