"""What a simulated controller remembers without power: counters, cycles, tags, strokes.

Everything lies in one image that is saved whole. A cycle is noted when it begins, so that one that
a reset cuts is still counted; its number is published only once its record is durable.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.messages import BadMessage, CycleRecord
from drivers.simulated.stores import Store
from drivers.words import Outcome

RECORDS = 16
"""Cycles of each prop that are held until they are acknowledged."""


@dataclass(slots=True)
class PropMemory:
    """One prop's counter since its memory was formatted."""

    life: int
    number: int = 0
    tagged: bool = False
    begun: CycleRecord | None = None


@dataclass(slots=True)
class _Held:
    record: CycleRecord
    serial: int


@dataclass(slots=True)
class _Image:
    boot: int
    props: list[PropMemory]
    strokes: list[int]
    held: list[_Held] = field(default_factory=list)

    def pack(self) -> bytes:
        return json.dumps(
            {
                "boot": self.boot,
                "props": [
                    {
                        "life": p.life,
                        "number": p.number,
                        "tagged": p.tagged,
                        "begun": None if p.begun is None else p.begun.words(),
                    }
                    for p in self.props
                ],
                "strokes": self.strokes,
                "held": [h.record.words() for h in self.held],
            },
            separators=(",", ":"),
        ).encode("ascii")


class Memory:
    """The non-volatile memory of one board with so many props and outputs."""

    def __init__(self, store: Store, props: int, outputs: int, rng: random.Random) -> None:
        self._store = store
        loaded = store.load()
        image = None if loaded.image is None else _unpack(loaded.image, props, outputs)
        self.damaged = loaded.damaged
        if image is None:
            lives = [PropMemory(rng.randrange(1, 1 << 32)) for _ in range(props)]
            image = _Image(rng.randrange(1 << 31), lives, [0] * outputs)
        self._image = image
        self._unsaved = False

    def start(self) -> int:
        """Counts a boot and turns cycles that the last one cut into records; the boot's id."""
        self._image.boot = self._image.boot % 0xFFFFFFFF + 1
        for prop in self._image.props:
            if prop.begun is not None:
                self._keep(replace(prop.begun, outcome=Outcome.POWER))
        self._save()
        self._store.flush()
        return self._image.boot

    @property
    def strokes(self) -> list[int]:
        """Lifetime strokes of each output, the first at index 0."""
        return self._image.strokes

    def count_stroke(self, output: int) -> None:
        """One more stroke of this output; durable with the next save."""
        self._image.strokes[output - 1] += 1
        self._unsaved = True

    def life(self, prop: int) -> int:
        """The prop's life id."""
        return self._image.props[prop - 1].life

    def next_number(self, prop: int) -> int:
        """The number of the cycle that is under way or to come."""
        return self._image.props[prop - 1].number + 1

    def tagged(self, prop: int) -> bool:
        """Whether somebody's tag is on the prop."""
        return self._image.props[prop - 1].tagged

    def tag(self, prop: int, tagged: bool) -> None:
        """Sets or lifts the tag; durable when this returns."""
        if self.tagged(prop) != tagged:
            self._image.props[prop - 1].tagged = tagged
            self._save()
            self._store.flush()

    def begin(self, record: CycleRecord) -> None:
        """Notes a cycle under way, so that it is counted whatever happens."""
        self._image.props[record.prop - 1].begun = record
        self._save()

    def finish(self, record: CycleRecord) -> None:
        """Holds the record of a cycle that ended."""
        self._keep(record)
        self._save()

    def acknowledge(self, life: int, prop: int, number: int) -> None:
        """Forgets a cycle; nothing happens if it is unknown."""
        before = len(self._image.held)
        self._image.held = [
            h
            for h in self._image.held
            if (h.record.life, h.record.prop, h.record.number) != (life, prop, number)
        ]
        self._unsaved = self._unsaved or len(self._image.held) != before

    @property
    def unsaved(self) -> bool:
        """Whether strokes or acknowledgements wait for `save_loose`."""
        return self._unsaved

    def save_loose(self) -> None:
        """Saves strokes and acknowledgements, which may wait a little."""
        if self._unsaved:
            self._save()

    def held(self) -> Iterator[CycleRecord]:
        """The cycles not acknowledged whose records are durable, oldest first."""
        durable = self._store.durable
        return (h.record for h in self._image.held if h.serial <= durable)

    def newest(self, prop: int) -> int:
        """The number of the prop's newest durable cycle (0: none)."""
        waiting = [
            h.record.number
            for h in self._image.held
            if h.record.prop == prop and h.serial > self._store.durable
        ]
        return min(waiting) - 1 if waiting else self._image.props[prop - 1].number

    def oldest(self, prop: int) -> int:
        """The number of the prop's oldest durable cycle still held (0: none)."""
        return next((r.number for r in self.held() if r.prop == prop), 0)

    def _keep(self, record: CycleRecord) -> None:
        prop = self._image.props[record.prop - 1]
        prop.number = record.number
        prop.begun = None
        mine = [h for h in self._image.held if h.record.prop == record.prop]
        if len(mine) >= RECORDS:
            self._image.held.remove(mine[0])
        self._image.held.append(_Held(record, 1 << 62))

    def _save(self) -> None:
        serial = self._store.save(self._image.pack())
        self._unsaved = False
        for held in self._image.held:
            held.serial = min(held.serial, serial)


def _unpack(data: bytes, props: int, outputs: int) -> _Image | None:
    """The image, or None for one that another kind of board wrote."""
    try:
        given: dict[str, Any] = json.loads(data)
        image = _Image(
            int(given["boot"]),
            [
                PropMemory(
                    int(p["life"]),
                    int(p["number"]),
                    bool(p["tagged"]),
                    None if p["begun"] is None else CycleRecord.parse(tuple(p["begun"])),
                )
                for p in given["props"]
            ],
            [int(count) for count in given["strokes"]],
            [_Held(CycleRecord.parse(tuple(words)), 0) for words in given["held"]],
        )
    except (ValueError, KeyError, TypeError, BadMessage):
        return None
    fits = len(image.props) == props and len(image.strokes) == outputs
    return image if fits else None
