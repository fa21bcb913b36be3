"""`sexton ports`: the serial ports of this machine, as a site file would name them."""

from __future__ import annotations

import argparse
import json


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton ports`."""
    parser = subparsers.add_parser(
        "ports",
        help="list the serial ports of this machine",
        description=(
            "List the serial ports of this machine, with what a site file needs to find them\n"
            "again. No port is opened."
        ),
        epilog="examples:\n  sexton ports\n  sexton ports --json",
    )
    parser.add_argument("--json", action="store_true", help="print a JSON list")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """List the ports."""
    from dataclasses import asdict

    from console.rules.text import plain
    from drivers.port import list_all

    ports = list_all()
    if arguments.json:
        print(json.dumps([asdict(port) for port in ports], indent=2))
        return 0
    if not ports:
        print("There is no serial port. Plug the adapter in, and see whether its driver is there.")
    for port in ports:
        print(plain(port.device), plain(port.description))
        if port.usb_serial:
            print(f"    usb_serial: {plain(port.usb_serial)}")
        if port.usb_location:
            print(f"    usb_location: {plain(port.usb_location)}")
        if not port.usb_serial and not port.usb_location:
            print(f"    path: {plain(port.device)}")
    return 0
