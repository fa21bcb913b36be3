"""The file behind a controller's memory: whole images, in turn in two slots."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.messages import CycleRecord, Hex32
from drivers.simulated.memory import Memory
from drivers.simulated.stores import SLOT_BYTES, FileStore, PlainStore, Writer
from drivers.words import Outcome, Trigger


@pytest.fixture
def writer() -> Iterator[Writer]:
    """A writer thread."""
    made = Writer()
    yield made
    made.close()


def saved(path: Path, writer: Writer, *images: bytes) -> None:
    """Saves images one after the other, each until it is durable."""
    store = FileStore(path, writer)
    store.load()
    for image in images:
        serial = store.save(image)
        store.flush()
        assert store.durable == serial
    store.close()


def loaded(path: Path, writer: Writer) -> tuple[bytes | None, tuple[int, ...]]:
    """What a fresh start finds."""
    store = FileStore(path, writer)
    found = store.load()
    store.close()
    return found.image, found.damaged


def test_the_newest_image_is_found(tmp_path: Path, writer: Writer) -> None:
    """Whichever slot it went to, over many starts."""
    path = tmp_path / "nv"
    assert loaded(path, writer) == (None, ())
    for n in range(5):
        saved(path, writer, *(f"image {n}.{m}".encode() for m in range(n)))
        assert loaded(path, writer) == ((f"image {n}.{n - 1}".encode() if n else None), ())


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None
)
@given(st.data())
def test_a_torn_write_leaves_the_image_before(
    tmp_path: Path, writer: Writer, data: st.DataObject
) -> None:
    """Cut at any byte, the slot being written is damaged or new, and the other is whole."""
    path = tmp_path / "nv"
    path.unlink(missing_ok=True)
    saved(path, writer, b"older " * 20)
    before = path.read_bytes()
    saved(path, writer, b"newer " * 20)
    after = path.read_bytes().ljust(2 * SLOT_BYTES, b"\0")
    before = before.ljust(2 * SLOT_BYTES, b"\0")
    changed = [at for at in range(2 * SLOT_BYTES) if before[at] != after[at]]
    cut = data.draw(st.integers(changed[0], changed[-1] + 1))
    path.write_bytes(after[:cut] + before[cut:])
    image, damaged = loaded(path, writer)
    assert image in (b"older " * 20, b"newer " * 20)
    assert image == b"newer " * 20 or damaged or cut == changed[0]


def test_both_slots_damaged_is_blank(tmp_path: Path, writer: Writer) -> None:
    """Nothing is guessed out of ruins."""
    path = tmp_path / "nv"
    saved(path, writer, b"one", b"two")
    raw = bytearray(path.read_bytes())
    raw[3] ^= 1
    raw[SLOT_BYTES + 3] ^= 1
    path.write_bytes(bytes(raw))
    assert loaded(path, writer) == (None, (0, 1))


def test_a_disk_that_refuses_is_told_and_tried_again(
    tmp_path: Path, writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing counts as durable while writing fails; afterwards everything does."""
    store = FileStore(tmp_path / "nv", writer)
    refuse = [True]
    real = os.fsync

    def fsync(descriptor: int) -> None:
        if refuse[0]:
            raise OSError(28, "No space left on device")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    serial = store.save(b"image")
    with pytest.raises(OSError, match="No space"):
        store.flush()
    assert store.durable < serial
    refuse[0] = False
    serial = store.save(b"image 2")
    store.flush()
    assert store.durable == serial
    store.close()


def test_power_loss_forgets_what_was_not_written(tmp_path: Path, writer: Writer) -> None:
    """What the writer had not begun is gone, as in a real part."""
    store = FileStore(tmp_path / "nv", writer)
    store.save(b"kept")
    store.flush()
    store.save(b"perhaps")
    store.forget_unwritten()
    assert store.load().image in (b"kept", b"perhaps")
    store.close()


def cycle(number: int, prop: int = 1, life: int = 7) -> CycleRecord:
    return CycleRecord(
        Hex32(life), prop, number, 1, Trigger.SENSOR, Outcome.DONE, Hex32(1), 0, 100, ()
    )


class Slow(PlainStore):
    """Durable only when told."""

    def __init__(self) -> None:
        super().__init__()
        self.serial = 0
        self._images: dict[int, bytes] = {}

    def save(self, image: bytes) -> int:
        """Keeps the image in hand."""
        self.serial += 1
        self._images[self.serial] = image
        return self.serial

    def flush(self) -> None:
        """Makes everything durable."""
        for serial, image in self._images.items():
            self._image = image
            self.durable = serial


def test_a_number_is_published_when_it_is_durable() -> None:
    """Held and counted only once the store says so."""
    store = Slow()
    memory = Memory(store, 1, 1, random.Random(1))
    memory.start()
    memory.finish(cycle(1, life=memory.life(1)))
    assert list(memory.held()) == []
    assert (memory.newest(1), memory.oldest(1)) == (0, 0)
    store.flush()
    assert [r.number for r in memory.held()] == [1]
    assert (memory.newest(1), memory.oldest(1)) == (1, 1)


def test_a_memory_of_another_board_is_not_taken() -> None:
    """An image with other numbers of props and outputs is no image of this board."""
    store = PlainStore()
    first = Memory(store, 2, 4, random.Random(1))
    first.start()
    second = Memory(store, 3, 4, random.Random(2))
    assert second.life(1) != first.life(1)


def test_the_memory_fits_its_slot_at_its_fullest(tmp_path: Path, writer: Writer) -> None:
    """Four props with sixteen records each, as long as records get."""
    store = FileStore(tmp_path / "nv", writer)
    memory = Memory(store, 4, 16, random.Random(1))
    memory.start()
    for prop in range(1, 5):
        for number in range(1, 40):
            record = cycle(4_000_000_000 + number, prop, memory.life(prop))
            memory.finish(record)
    store.flush()
    again = Memory(store, 4, 16, random.Random(2))
    assert again.newest(4) == 4_000_000_039
    assert len(list(again.held())) == 64
    store.close()
