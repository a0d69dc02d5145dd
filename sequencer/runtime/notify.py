"""Telling a service manager how a long-running process is: ready, alive, stopping.

The protocol is that of sd_notify(3): one datagram of ``NAME=value`` lines to the socket named in
the environment. Without that socket nothing is sent and nothing is wrong.
"""

import os
import socket
from collections.abc import Callable, Mapping

from sequencer.events import Step
from sequencer.model import Inputs
from sequencer.units import ns

READY, ALIVE, STOPPING = "READY=1", "WATCHDOG=1", "STOPPING=1"


def notifier(environ: Mapping[str, str] = os.environ) -> Callable[[str], bool]:
    """Return a function that sends a line to the service manager and tells whether it went out.

    It never blocks and never raises: a service manager that does not listen must not stop a rig.
    """
    address = environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return lambda _line: False
    if address.startswith("@"):  # the abstract name space of Linux
        address = "\0" + address[1:]

    def send(line: str) -> bool:
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.setblocking(False)
                return out.sendto(line.encode(), address) > 0
        except OSError:
            return False

    return send


def watchdog_s(environ: Mapping[str, str] = os.environ) -> float | None:
    """Return how often the service manager wants to hear that the process lives, None if never."""
    try:
        time_s = int(environ["WATCHDOG_USEC"]) / 1e6
        meant_for = int(environ.get("WATCHDOG_PID", os.getpid()))
    except (KeyError, ValueError):
        return None
    return time_s if time_s > 0.0 and meant_for == os.getpid() else None


class Alive:
    """A sink that tells the service manager that scans are being made, and only then.

    It is told by the loop itself, after the outputs were written, never by a thread of its own: a
    loop that hangs falls silent, and the service manager ends the process.
    """

    def __init__(self, send: Callable[[str], bool], within_s: float) -> None:
        self._send = send
        self._every_ns = ns(within_s / 3.0)
        self._told_ns: int | None = None

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG002
        """Hear of a scan."""
        if self._told_ns is None:
            self._send(READY)
        elif now_ns - self._told_ns < self._every_ns:
            return
        self._told_ns = now_ns
        self._send(ALIVE)
