"""Every test lives apart: no engine of a real night is found, no real record is touched."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

# Short, because a socket's path may have no more than about 100 characters.
_home = tempfile.mkdtemp(prefix="sx-", dir="/tmp")
os.environ["SEXTON_RUNTIME"] = os.path.join(_home, "run")
os.environ["SEXTON_DATA"] = os.path.join(_home, "data")
atexit.register(shutil.rmtree, _home, ignore_errors=True)


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder with a path short enough for sockets."""
    made_here = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    yield made_here
    shutil.rmtree(made_here, ignore_errors=True)
