"""The engine of a demo: it ends when whoever started the demo is gone.

    python -m console.commands.demo_engine SITE --ledger PATH --ports FOLDER [--mark WORD]

Standard input is a pipe that nobody writes to. It closes when the demo ends, however it ends; then
this engine ends in order, and the demo's private folder, in which SITE lies, goes with it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sys
import threading
from pathlib import Path

from console.engine.run import run_engine
from console.errors import UserError


def main() -> int:
    """Run the engine until the demo ends; its exit code."""
    parser = argparse.ArgumentParser(prog="demo_engine", description=__doc__)
    parser.add_argument("site", type=Path)
    parser.add_argument("--ledger", type=Path, required=True)
    parser.add_argument("--ports", type=Path, required=True)
    parser.add_argument("--mark", default="DEMO")
    arguments = parser.parse_args()
    alone = threading.Event()

    def watch() -> None:
        while os.read(0, 4096):
            pass
        alone.set()
        os.kill(os.getpid(), signal.SIGTERM)

    # Before the engine has its own handler a SIGTERM would end the process and leave the folder.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    threading.Thread(target=watch, name="watch the demo", daemon=True).start()
    try:
        return run_engine(
            arguments.site, arguments.ledger, demo=True, mark=arguments.mark, ports=arguments.ports
        )
    except UserError as error:
        print(f"{error.message}\n{error.hint}", file=sys.stderr)
        return 2
    finally:
        if alone.is_set():
            shutil.rmtree(arguments.site.parent, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
