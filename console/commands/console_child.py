"""A console on a running engine, as the key guard starts it in the inner terminal.

    python -m console.commands.console_child --socket PATH --stop-socket PATH

This is where the screens are given a ledger to read: they may not know one by themselves.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from console.errors import UserError
from console.ledger.export import write_csv, write_json
from console.ledger.reader import Reader
from console.ledger.rows import CycleRow, Filter
from console.places import EngineFolder
from console.rules.airtest import EVENT_KIND
from console.screens.run import run
from console.upkeep.pages import UpkeepPages
from console.views.records import CycleRecord, LeakTestRecord, NightRecord, RecordFilter


def main(argv: list[str] | None = None) -> int:
    """Run a console until it is closed; its exit code."""
    parser = argparse.ArgumentParser(prog="console_child", description=__doc__)
    parser.add_argument("--socket", type=Path, required=True, help="the engine's socket")
    parser.add_argument("--stop-socket", type=Path, required=True, help="its socket for stops")
    arguments = parser.parse_args(argv)
    records = LedgerRecords(EngineFolder(arguments.socket.parent))
    return run(arguments.socket, arguments.stop_socket, records, UpkeepPages(records.held))


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

    def leak_tests(self) -> list[LeakTestRecord]:
        """Every leak test in the ledger, oldest first; what makes no sense is left out."""
        found = []
        with self._reader() as reader:
            for row in reader.events(Filter(kind=EVENT_KIND)):
                cfm, percent = row.detail.get("leak_cfm"), row.detail.get("percent")
                if isinstance(cfm, int | float):
                    share = float(percent) if isinstance(percent, int | float) else None
                    found.append(LeakTestRecord(row.wall_ns, float(cfm), share, row.by))
        return found

    def _reader(self) -> Reader:
        return Reader.open(self.held("ledger"))

    def held(self, what: str) -> Path:
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


if __name__ == "__main__":
    sys.exit(main())
