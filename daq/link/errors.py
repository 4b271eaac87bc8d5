"""What went wrong with a serial port, in words a person can act on: OSError -> LinkError."""

from __future__ import annotations

import errno

from daq.errors import LinkError


def explained(path: str, baud: int, error: Exception) -> LinkError:
    """The error with its remedy for opening `path` at `baud`."""
    code = getattr(error, "errno", None)
    if code == errno.ENOENT:
        return LinkError(
            f"There is no port {path}.",
            "Plug in the front end, see which ports there are with 'ls /dev/serial/by-id', "
            "and name one in the rig file or with --port.",
        )
    if code in (errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY):
        return LinkError(
            f"Port {path} is busy: another program holds it.",
            "Stop that program (perhaps a second Drumlin); 'fuser -v' with the port names it.",
        )
    if code in (errno.EACCES, errno.EPERM):
        return LinkError(
            f"This account may not open port {path}.",
            "Add it to the group that 'ls -l' shows for the port, then log in again.",
        )
    if code in (errno.ENXIO, errno.ENODEV, errno.EIO):
        return LinkError(
            f"Port {path} is there, but no device answers behind it.",
            "Check the front end's power and its cable.",
        )
    if isinstance(error, ValueError):
        return LinkError(
            f"Port {path} cannot run at {baud} baud.", "Choose another rate in the rig file."
        )
    return LinkError(
        f"Port {path} cannot be used as a serial port: {error}.",
        "Name the front end's port in the rig file or with --port.",
    )
