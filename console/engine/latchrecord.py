"""The latch as the latch file keeps it."""

from __future__ import annotations

from collections.abc import Mapping

from console.rules.latch import Hold, Latch, Part


def record_of(latch: Latch) -> Mapping[str, object]:
    """What the latch file keeps."""
    return {
        "latched": latch.latched,
        "id": latch.id,
        "source": latch.source[:120],
        "by": latch.by[:60],
        "at_wall_ns": latch.at_wall_ns,
        "cleared": latch.cleared,
        "left_out": [n for n, part in latch.parts.items() if part.left_out],
        "kept_out": list(latch.kept_out),
    }


def latch_of(record: Mapping[str, object], controllers: tuple[str, ...]) -> Latch:
    """The latch that a record keeps, with nothing confirmed yet. Raises ValueError for nonsense."""
    try:
        left_out = set(record["left_out"])  # type: ignore[call-overload]
        kept_out = tuple(n for n in record["kept_out"] if n in controllers)  # type: ignore[attr-defined]
        cleared = int(record["cleared"])  # type: ignore[call-overload]
        if not record["latched"]:
            return Latch(cleared=cleared, kept_out=kept_out)
        return Latch(
            Hold.LATCHED, int(record["id"]), str(record["source"]), str(record["by"]),  # type: ignore[call-overload]
            int(record["at_wall_ns"]),  # type: ignore[call-overload]
            {name: Part(left_out=name in left_out) for name in controllers},
            cleared,
        )  # fmt: skip
    except (KeyError, TypeError) as error:
        raise ValueError(f"no latch record: {error}") from None
