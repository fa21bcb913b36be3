"""A console on a running engine, as the key guard starts it in the inner terminal.

    python -m console.commands.console_child --socket PATH --stop-socket PATH

This is where the screens are given a ledger to read: they may not know one by themselves.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING

from console.errors import UserError
from console.ledger.export import write_csv, write_json
from console.ledger.reader import Reader
from console.ledger.rows import CycleRow, Filter, PartRow
from console.places import EngineFolder
from console.screens.run import run
from console.views.records import CycleRecord, NightRecord, PartRecord, RecordFilter

if TYPE_CHECKING:
    from console.site.hardware import Part
    from console.site.models import Site


def main(argv: list[str] | None = None) -> int:
    """Run a console until it is closed; its exit code."""
    parser = argparse.ArgumentParser(prog="console_child", description=__doc__)
    parser.add_argument("--socket", type=Path, required=True, help="the engine's socket")
    parser.add_argument("--stop-socket", type=Path, required=True, help="its socket for stops")
    arguments = parser.parse_args(argv)
    records = LedgerRecords(EngineFolder(arguments.socket.parent))
    return run(arguments.socket, arguments.stop_socket, records)


class LedgerRecords:
    """What the screens read, out of the ledger and the site file of the engine in `folder`.

    Each call opens the ledger anew and closes it: it runs in any thread, follows an engine that was
    started again with another ledger, and leaves no reader behind.
    """

    def __init__(self, folder: EngineFolder) -> None:
        self._folder = folder

    def nights(self) -> list[NightRecord]:
        """Every night, newest first."""
        with self._reader() as reader:
            return [
                NightRecord(n.night_id, n.date, n.opened_ns, n.closed_ns, n.cycles)
                for n in reversed(reader.nights())
            ]

    def outcomes(self) -> list[str]:
        """Every outcome that the ledger holds."""
        with self._reader() as reader:
            return reader.outcomes()

    def cycles(self, wanted: RecordFilter, limit: int) -> list[CycleRecord]:
        """The newest `limit` cycles that match, newest first."""
        with self._reader() as reader:
            rows = list(reader.cycles(_filter(wanted, limit)))
        return [
            CycleRecord(
                r.date, r.prop, r.number, r.sequence, r.trigger, r.outcome,
                r.started_ns, r.bound_ms, r.duration_ms,
            )
            for r in reversed(rows)
        ]  # fmt: skip

    def export(self, wanted: RecordFilter, kind: str, path: Path) -> int:
        """Write all matching cycles to a new file; how many there were."""
        with self._reader() as reader:
            rows = reader.cycles(_filter(wanted, None))
            try:
                with path.open("x", encoding="utf-8", newline="") as out:
                    if kind == "csv":
                        return write_csv(rows, CycleRow, out)
                    return write_json(rows, out)
            except FileExistsError:
                raise UserError(f"{path} is there already", "give another name") from None
            except OSError as error:
                raise UserError(
                    f"{path} cannot be written: {error.strerror}", "give another place"
                ) from error

    def parts(self) -> list[PartRecord]:
        """The parts of the site file with what they have done, nearest to their interval first."""
        from console.site.loading import load

        site = load(self._held("site"))
        with self._reader() as reader:
            found = _parts(site, reader)
        return sorted(found, key=lambda p: -(p.used or 0) / p.interval if p.interval else 0.0)

    def _reader(self) -> Reader:
        return Reader.open(self._held("ledger"))

    def _held(self, what: str) -> Path:
        """A path out of the file that the engine keeps locked as long as it lives."""
        try:
            said = json.loads(self._folder.lock.read_text(encoding="utf-8"))
            return Path(said[what])
        except (OSError, ValueError, KeyError, TypeError):
            raise UserError(
                f"the engine does not say where its {what} is", "look whether it is running"
            ) from None


def _filter(wanted: RecordFilter, newest: int | None) -> Filter:
    return Filter(
        nights=None if wanted.night is None else (wanted.night,),
        prop=wanted.prop or None,
        outcome=wanted.outcome or None,
        newest=newest,
    )


def _parts(site: Site, reader: Reader) -> list[PartRecord]:
    """Strokes where a motion counts them, else the prop's cycles; for life or since a service."""
    serviced: dict[tuple[str, str, str], PartRow] = {
        (row.last.prop, row.last.motion, row.last.part): row for row in reader.parts()
    }
    strokes = reader.motion_strokes()
    cycles: dict[str, int] = defaultdict(int)
    cycles.update({name: counts.cycles for name, counts in reader.counts().items()})
    found: list[PartRecord] = []
    for prop in site.props:
        places = [(m.name, part) for m in prop.motions for part in m.parts]
        for motion, part in [*places, *(("", part) for part in prop.parts)]:
            row = serviced.get((prop.name, motion, part.name))
            since = row.cycles_since if row else cycles[prop.name]
            struck = row.strokes_since if row else strokes.get((prop.name, motion))
            if struck is not None and row is None:
                struck += part.at_strokes
            found.append(_record(site, prop.name, motion, part, row, since, struck))
    return found


def _record(
    site: Site,
    prop: str,
    motion: str,
    part: Part,
    row: PartRow | None,
    cycles: int,
    strokes: int | None,
) -> PartRecord:
    """The part in the unit in which it is nearest to its interval."""
    of_kind = (s for s in site.service if s.part is part.kind and prop in (s.props or (prop,)))
    limits = [part, *of_kind]
    ends: list[tuple[str, int | None, int]] = []
    for unit, used in (("strokes", strokes), ("cycles", cycles)):
        given = [limit for one in limits if (limit := getattr(one, unit)) is not None]
        if given:
            ends.append((unit, used, min(given)))
    ends.sort(key=lambda end: -(end[1] or 0) / end[2])
    unit, used, interval = ends[0] if ends else ("cycles", cycles, None)
    return PartRecord(
        name=part.name,
        kind=part.kind.value,
        prop=prop,
        motion=motion,
        unit=unit,
        used=used,
        interval=interval,
        serviced_wall_ns=row.last.wall_ns if row else None,
        serviced_by=row.last.by if row else "",
    )


if __name__ == "__main__":
    sys.exit(main())
