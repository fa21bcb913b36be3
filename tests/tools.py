"""Tools that not every machine has. A test that needs one is skipped with the reason; where `CI` is
set, which brings all of them (`.ci/run`), it fails instead."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from typing import NoReturn, ParamSpec, TypeVar

import pytest

from drivers.firmware.build import NoCompiler

P = ParamSpec("P")
T = TypeVar("T")


def missing(reason: str) -> NoReturn:
    """Skips the test, or the module that is being imported; under CI it fails."""
    if os.environ.get("CI"):
        pytest.fail(f"CI installs what is missing here: {reason}", pytrace=False)
    pytest.skip(reason, allow_module_level=True)


def tool(name: str) -> str:
    """The path of a program that the test needs."""
    return shutil.which(name) or missing(f"needs {name}")


def built(make: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """What `make` gives, where a compiler for it is at hand."""
    try:
        return make(*args, **kwargs)
    except NoCompiler as error:
        missing(str(error))
