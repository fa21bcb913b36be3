"""Ports: which devices a line may be on, how they open, and what is said when they don't."""

from __future__ import annotations

import os
import pty
import socket
import tty
from pathlib import Path

import pytest

from drivers.port import HELD, PortError, PortInfo, PortSpec, candidates, flush_output, open_port

PORTS = (
    PortInfo("/dev/ttyUSB0", usb_serial="A1", usb_location="1-1", usb_ids="0403:6001"),
    PortInfo("/dev/ttyUSB1", usb_serial="A2", usb_location="1-2", usb_ids="0403:6001"),
    PortInfo("/dev/ttyUSB2", usb_serial="A2", usb_location="1-3", usb_ids="1a86:7523"),
    PortInfo("/dev/ttyS0"),
)


def test_the_named_adapter_comes_first_and_its_likes_after() -> None:
    """A board that was plugged in elsewhere is looked for on adapters of the same make."""
    assert candidates(PortSpec(usb_serial="A1"), PORTS) == ("/dev/ttyUSB0", "/dev/ttyUSB1")
    assert candidates(PortSpec(usb_location="1-3"), PORTS) == ("/dev/ttyUSB2",)


def test_a_serial_that_two_adapters_share_gives_both() -> None:
    """Cheap adapters share serials: the board's id decides between them."""
    assert candidates(PortSpec(usb_serial="A2"), PORTS)[:2] == ("/dev/ttyUSB1", "/dev/ttyUSB2")


def test_an_adapter_that_is_gone_leaves_every_usb_port_to_try() -> None:
    """With nothing to go by all adapters are candidates, and no other port is."""
    found = candidates(PortSpec(usb_serial="gone"), PORTS)
    assert found == ("/dev/ttyUSB0", "/dev/ttyUSB1", "/dev/ttyUSB2")


def test_a_path_and_an_address_stand_for_themselves() -> None:
    """They are not looked for anywhere else."""
    assert candidates(PortSpec(path="/dev/x"), PORTS) == ("/dev/x",)
    assert candidates(PortSpec(url="socket://h:1"), PORTS) == ("socket://h:1",)


def test_a_pseudo_terminal_opens_raw_and_without_blocking() -> None:
    """Bytes pass as they are, and a read with nothing there returns at once."""
    near, far = pty.openpty()
    tty.setraw(far)
    port = open_port(os.ttyname(far), 115_200)
    try:
        with pytest.raises(BlockingIOError):
            os.read(port.fd, 10)
        os.write(port.fd, b"\x18~\r\n\x03")
        assert os.read(near, 10) == b"\x18~\r\n\x03"
        flush_output(port.fd)
        with pytest.raises(PortError, match=HELD):
            open_port(os.ttyname(far), 115_200)
    finally:
        port.close()
        port.close()
        os.close(near)
        os.close(far)


def test_a_network_port_is_a_raw_socket() -> None:
    """socket://HOST:PORT is opened without anything in between."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = open_port(f"socket://127.0.0.1:{server.getsockname()[1]}", 115_200)
        link, _ = server.accept()
        os.write(port.fd, b"\x18")
        assert link.recv(5) == b"\x18"
        port.close()
        link.close()


@pytest.mark.parametrize(
    ("device", "says"),
    [
        ("/dev/there-is-none", "No such file"),
        ("rfc2217://localhost:1", "socket://HOST:PORT"),
        ("socket://nowhere", "HOST:PORT"),
        ("socket://127.0.0.1:1", "refused"),
    ],
)
def test_what_cannot_be_opened_says_why(device: str, says: str) -> None:
    """A few words, for the controller's line on the screen."""
    with pytest.raises(PortError, match=says):
        open_port(device, 115_200)


def test_a_file_is_no_port(tmp_path: Path) -> None:
    """An ordinary file is refused, not configured."""
    path = tmp_path / "file"
    path.write_text("x")
    with pytest.raises(PortError):
        open_port(str(path), 115_200)
