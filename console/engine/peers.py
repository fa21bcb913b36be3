"""Local sockets that only this user can reach."""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import sys
from pathlib import Path


def listen(path: Path) -> socket.socket:
    """A listening socket at `path`, in place of what a dead engine left there."""
    with contextlib.suppress(FileNotFoundError):
        path.unlink()
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listener.bind(os.fspath(path))
    path.chmod(0o600)
    listener.listen(64)
    listener.setblocking(False)
    return listener


def accept(listener: socket.socket) -> socket.socket | None:
    """The next connection, if it is this user's; None for no one, or for somebody else."""
    try:
        link, _ = listener.accept()
    except OSError:
        return None
    if peer_uid(link) != os.getuid():
        link.close()
        return None
    link.setblocking(False)
    return link


def peer_uid(link: socket.socket) -> int:
    """Who is at the other end of a local connection; -1 where the system does not say."""
    try:
        if sys.platform == "darwin":
            # struct xucred of <sys/ucred.h>: version, uid, ...; SOL_LOCAL is 0.
            data = link.getsockopt(0, 0x001, 8)
            return int(struct.unpack("=II", data)[1])
        data = link.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
        return int(struct.unpack("3i", data)[1])
    except (OSError, struct.error):
        return -1
