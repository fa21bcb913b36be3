"""A walk of three zones with one board each, short enough for virtual nights."""

from __future__ import annotations

from pathlib import Path

from console.site.loading import load
from console.site.models import Site

ZONES = ("yard", "hall", "loft")
STRENGTHS = ("quiet", "mild", "standard", "strong")
OUTPUT_OF = {"mild": 2, "standard": 4, "strong": 8, "quiet": 16}
"""Which output is on while the sequence of a strength runs, as a bit of the pins."""

_PROP = """\
  {name}:
    title: {title}
    zone: {zone}
    controller: board-{n}
    outdoor: {outdoor}
    rest: 2 s
    motions:
      push: {{output: 1, de_energised: returns, travel: 40 ms, return: 40 ms, max_on: 2 s}}
    outputs:
      mild-lamp: {{kind: light, output: 2}}
      standard-lamp: {{kind: light, output: 3}}
      strong-lamp: {{kind: light, output: 4, properties: [strobe]}}
      quiet-lamp: {{kind: light, output: 5}}
    triggers:
      sensor: {{kind: mat, input: 1, active: low, debounce: 10 ms}}
    default_sequence: standard
    sequences:
{sequences}
"""

_SEQUENCE = """\
      {strength}:
        strength: {strength}
        length: 1 s
        steps:
          - {{at: 0 ms, {strength}-lamp: on{push}}}
          - {{at: 800 ms, {strength}-lamp: off{pull}}}
"""


def text(without: dict[str, tuple[str, ...]] | None = None, rules: str = "", full: str = "") -> str:
    """The site file; `without` takes strengths away from a zone's prop.

    `full` names a zone whose board is small and holds four strong sequences: it has no room left.
    """
    props = []
    for n, zone in enumerate(ZONES, start=1):
        sequences = [
            _SEQUENCE.format(
                strength=s,
                push="" if s == "quiet" else ", push: on",
                pull="" if s == "quiet" else ", push: off",
            )
            for s in STRENGTHS
            if s not in (without or {}).get(zone, ())
        ]
        if zone == full:
            four = [_SEQUENCE.format(strength="strong", push="", pull="")] * 4
            sequences = [
                t.replace("strong:", f"{n}:", 1) for n, t in zip("abcd", four, strict=True)
            ]
        props.append(
            _PROP.format(
                name=f"{zone}-prop", title=f"The {zone} prop", zone=zone, n=n,
                outdoor="yes" if zone == "yard" else "no", sequences="".join(sequences).rstrip(),
            ).replace(
                "default_sequence: standard",
                f"default_sequence: {'a' if zone == full else 'standard'}",
            )
        )  # fmt: skip
    return "\n".join(
        [
            "site: Three zones",
            "timezone: Europe/Vienna",
            "zones:",
            *(f"  {zone}: {{title: {zone.title()}, walk: 40 s}}" for zone in ZONES),
            "lines:",
            *(f'  line-{n}: {{path: "/dev/line-{n}"}}' for n in (1, 2, 3)),
            "controllers:",
            *(
                f"  board-{n}: {{board_id: B-{n}, line: line-{n}, address: {n}, where: corner {n}"
                f"{', board: small' if ZONES[n - 1] == full else ''}}}"
                for n in (1, 2, 3)
            ),
            "props:",
            *props,
            *([rules] if rules else []),
            "",
        ]
    )


def made(
    folder: Path,
    without: dict[str, tuple[str, ...]] | None = None,
    rules: str = "",
    full: str = "",
) -> Site:
    """The site, loaded."""
    path = folder / "three-zones.yaml"
    path.write_text(text(without, rules, full))
    return load(path)
