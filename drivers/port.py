"""The one place that knows how this system's serial ports are found, opened and closed.

pyserial opens, configures and lists; bytes go over the raw descriptor, which never blocks. Another
system needs another module with the same functions. Everything here may block for seconds: call it
from a helper thread. Only `flush_output` and `OpenedPort.fd` are for the loop.
"""

from __future__ import annotations

import contextlib
import os
import socket
import termios
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports

CONNECT_S = 2.0
HELD = "another program holds it"
"""What `PortError` says of a port that is open elsewhere."""


class PortError(OSError):
    """A port cannot be opened; the message says why in a few words."""


@dataclass(frozen=True, slots=True)
class PortSpec:
    """How a line's port is found: exactly one of the first four."""

    usb_serial: str | None = None
    usb_location: str | None = None
    path: str | None = None
    url: str | None = None
    baud: int = 115_200

    @property
    def by_usb(self) -> bool:
        """Whether it is looked for among the USB adapters."""
        return self.usb_serial is not None or self.usb_location is not None


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this machine. Texts come from the adapter: plain text only."""

    device: str
    description: str = ""
    usb_serial: str = ""
    usb_location: str = ""
    usb_ids: str = ""


@dataclass(slots=True)
class OpenedPort:
    """An open port. `fd` is non-blocking; reading and writing it is the owner's business."""

    device: str
    fd: int
    _holder: serial.Serial | socket.socket

    def close(self) -> None:
        """Give the port back. Never raises: a port that vanished is closed, too."""
        with contextlib.suppress(OSError, termios.error, serial.SerialException):
            self._holder.close()


def list_all() -> tuple[PortInfo, ...]:
    """Every serial port of this machine, by device name."""
    found = [
        PortInfo(
            device=p.device,
            description=p.description if p.description != "n/a" else "",
            usb_serial=p.serial_number or "",
            usb_location=p.location or "",
            usb_ids=f"{p.vid:04x}:{p.pid:04x}" if p.vid is not None and p.pid is not None else "",
        )
        for p in list_ports.comports()
    ]
    return tuple(sorted(found, key=lambda p: p.device))


def candidates(spec: PortSpec, ports: Sequence[PortInfo]) -> tuple[str, ...]:
    """The devices on which the line may be, the likeliest first.

    After the port that the site file names come the other adapters of the same make: cheap ones
    share serials, and a board may have been plugged in elsewhere. Its own id decides.
    """
    if spec.path is not None:
        return (spec.path,)
    if spec.url is not None:
        return (spec.url,)
    named = [
        p
        for p in ports
        if (spec.usb_serial is not None and p.usb_serial == spec.usb_serial)
        or (spec.usb_location is not None and p.usb_location == spec.usb_location)
    ]
    makes = {p.usb_ids for p in named if p.usb_ids}
    others = [
        p for p in ports if p not in named and p.usb_ids and (not makes or p.usb_ids in makes)
    ]
    return tuple(p.device for p in (*named, *others))


def open_port(device: str, baud: int) -> OpenedPort:
    """Open a device path or a pyserial URL for this process alone. Raises PortError."""
    if "://" in device:
        return _open_url(device)
    try:
        port = serial.Serial(device, baud, timeout=0, exclusive=True)
        fd = port.fileno()
        os.set_blocking(fd, False)
        _tell_nothing_from_hangup(fd)
        termios.tcflush(fd, termios.TCIOFLUSH)
    except (serial.SerialException, OSError, ValueError, termios.error) as error:
        raise PortError(_said(error)) from None
    return OpenedPort(device, fd, port)


def flush_output(fd: int) -> None:
    """Throw away what was written and has not left the machine."""
    try:  # noqa: SIM105 - an all-stop does this for every line before its byte: nothing is quicker
        termios.tcflush(fd, termios.TCOFLUSH)
    except (OSError, termios.error):
        pass


def _tell_nothing_from_hangup(fd: int) -> None:
    """Have a read with nothing there fail, so that no bytes at all means that the port is gone."""
    attributes = termios.tcgetattr(fd)
    attributes[6][termios.VMIN], attributes[6][termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSANOW, attributes)


def _open_url(url: str) -> OpenedPort:
    parts = urlsplit(url)
    if parts.scheme != "socket":
        raise PortError(
            f"{parts.scheme}:// has no raw descriptor; offer the port as socket://HOST:PORT"
        )
    try:
        if parts.hostname is None or parts.port is None:
            raise PortError("socket:// needs HOST:PORT")
        link = socket.create_connection((parts.hostname, parts.port), timeout=CONNECT_S)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        link.setblocking(False)
    except (OSError, ValueError) as error:
        raise PortError(_said(error)) from None
    return OpenedPort(url, link.fileno(), link)


def _said(error: BaseException) -> str:
    text = str(error)
    if "exclusively lock" in text:
        return HELD
    number = getattr(error, "errno", None)
    return os.strerror(number) if isinstance(number, int) and number else text
