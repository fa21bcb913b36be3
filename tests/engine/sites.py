"""Small sites for tests of the engine, written as site files so that the loader has its say."""

from __future__ import annotations

from pathlib import Path

from console.site.loading import load
from console.site.models import Site

_PROP = """\
  prop-{n}:
    title: Prop {n}
    zone: yard
    controller: board-{n}
    rest: 200 ms
    motions:
      push: {{output: 1, de_energised: {de_energised}, travel: 40 ms, return: 40 ms, max_on: 2 s}}
    outputs:
      lamp: {{kind: light, output: 2, at_stop: keep}}
    triggers:
      sensor: {{kind: mat, input: 1, active: low, debounce: 10 ms}}
      actor: {{input: 2, debounce: 10 ms}}
    default_sequence: go
    sequences:
      go:
        strength: standard
        length: 200 ms
        steps:
          - {{at: 0 ms, push: on, lamp: on}}
          - {{at: 120 ms, push: off, lamp: off}}
      slow:
        strength: strong
        length: 900 ms
        steps:
          - {{at: 0 ms, push: on, lamp: on}}
          - {{at: 800 ms, push: off, lamp: off}}
"""


def text(
    ports: Path,
    boards: int = 1,
    *,
    shared: bool = False,
    supplies: str = "",
    rules: str = "",
    de_energised: str = "returns",
    controller: str = "",
) -> str:
    """A site file: boards B-1, B-2, ... with one prop each, alone on their lines or all on one."""
    count = range(1, boards + 1)
    if shared:
        lines = [f'  line-1: {{path: "{ports}/line-1"}}']
    else:
        lines = [f'  line-{n}: {{path: "{ports}/line-{n}"}}' for n in count]
    controllers = [
        f"  board-{n}: {{board_id: B-{n}, line: line-{1 if shared else n}, address: {n}, "
        f"where: corner {n}, alarm_light: yes, stop_input: yes{controller}}}"
        for n in count
    ]
    props = [_PROP.format(n=n, de_energised=de_energised) for n in count]
    return "\n".join(
        [
            "site: Test yard",
            "zones:",
            "  yard: {title: Yard}",
            "lines:",
            *lines,
            *([supplies] if supplies else []),
            "controllers:",
            *controllers,
            "props:",
            *props,
            *([rules] if rules else []),
            "",
        ]
    )


def write(folder: Path, boards: int = 1, **options: object) -> Path:
    """The site file, written to `folder`; its ports lie in `folder/ports`."""
    ports = folder / "ports"
    ports.mkdir(exist_ok=True)
    path = folder / "yard.yaml"
    path.write_text(text(ports, boards, **options))  # type: ignore[arg-type]
    return path


def made(folder: Path, boards: int = 1, **options: object) -> Site:
    """The site, loaded."""
    return load(write(folder, boards, **options))
