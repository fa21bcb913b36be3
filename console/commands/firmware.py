"""`sexton firmware export`: a folder that the free desktop IDE of your board opens and uploads."""

from __future__ import annotations

import argparse
from pathlib import Path

from console.errors import UserError

_EPILOG = """\
example:
  sexton firmware export ~/sketches/ghoul --id ghoul --outputs 4,5,6

Open the folder in the IDE, choose your board and port, and upload. README.md in the folder has
the wiring. Pins that a part or its bootloader drives before our first instruction are refused as
outputs: a valve there would move by itself at every reset.
exit codes: 0 written, 2 the command line is wrong or the folder is taken\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define the command."""
    parser = subparsers.add_parser(
        "firmware",
        help="write the controller firmware for your board",
        description="Write the controller firmware for a board that you build.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    kinds = parser.add_subparsers(metavar="export", required=True)
    export = kinds.add_parser(
        "export",
        help="write a folder that the IDE opens and uploads",
        description="Write a folder that the IDE opens and uploads as it is.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    export.add_argument("folder", type=Path, metavar="DIR", help="a new or empty folder")
    export.add_argument("--id", default="board-1", help="the board's name in the site file")
    export.add_argument("--address", type=int, default=1, help="its address on a shared line")
    export.add_argument("--shared", action="store_true", help="it is on a shared RS-485 line")
    export.add_argument(
        "--part",
        default="atmega328p",
        help="the microcontroller: atmega328p (default), esp32 or rp2040",
    )
    export.add_argument("--outputs", metavar="PINS", help="pins of the outputs, as 4,5,6")
    export.add_argument("--inputs", metavar="PINS", help="pins of the inputs, as A0,A1")
    export.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the folder and say what to do with it."""
    from drivers.firmware import export

    try:
        settings = export.Settings(
            board=args.id,
            address=args.address,
            shared=args.shared,
            part=args.part,
            outputs=_pins(args.outputs),
            inputs=_pins(args.inputs),
        )
        sketch = export.write(args.folder, settings)
    except export.BadSettings as error:
        raise UserError(str(error), error.hint) from None
    except OSError as error:
        raise UserError(f"{args.folder} cannot be written: {error.strerror}") from None
    print(f"Written. Open {sketch} in the IDE, choose board and port, and upload.")
    print(f"Wiring and cautions: {sketch.parent / 'README.md'}")
    return 0


def _pins(text: str | None) -> tuple[str, ...]:
    return () if text is None else tuple(word.strip() for word in text.split(","))
