"""Site files that come with the program."""

from __future__ import annotations

from pathlib import Path

import console

NAMES = ("demo", "bench")


def shipped(name: str) -> Path:
    """The path of a shipped site file, such as `demo` or `bench`.

    In an installed package the files lie inside it, in a checkout beside it. Raises
    FileNotFoundError where there is none of this name.
    """
    package = Path(console.__file__).parent
    for folder in (package / "configs", package.parent / "configs"):
        path = folder / f"{name}.yaml"
        if path.is_file():
            return path
    raise FileNotFoundError(f"no site file called {name} comes with this program")
