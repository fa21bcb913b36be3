"""The demo: a shipped site on simulated boards, on lines of its own.

Here is what needs no process: the site file with every line moved into a private folder, so that a
demo can open no real line.
"""

from __future__ import annotations

import json
from pathlib import Path

import yaml


def on_private_lines(text: str, folder: Path) -> tuple[str, dict[str, Path]]:
    """The site file `text` with each line's port at a path in `folder`, and those paths by line.

    Everything else, comments included, stays as it is. Raises ValueError where the text has no
    lines to move.
    """
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    lines = _value(root, "lines")
    if not isinstance(lines, yaml.MappingNode):
        raise ValueError("a site file needs lines")
    paths: dict[str, Path] = {}
    for key, value in reversed(lines.value):
        name = str(key.value)
        paths[name] = folder / f"{name}.port"
        kept = [
            f"{k.value}: {v.value}"
            for k, v in value.value
            if k.value not in ("usb_serial", "usb_location", "path", "url")
        ]
        entry = ", ".join([f"path: {json.dumps(str(paths[name]))}", *kept])
        end = text[: value.end_mark.index].rstrip()
        text = f"{text[: key.end_mark.index]}: {{{entry}}}{text[len(end) :]}"
    return text, dict(reversed(paths.items()))


def _value(node: yaml.Node | None, name: str) -> yaml.Node | None:
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if key.value == name:
                found: yaml.Node = value
                return found
    return None
