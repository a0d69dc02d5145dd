"""Ctrl-C, SIGTERM and a lost terminal as the ordered end of a run, for as long as it goes on."""

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType

STOPPING = (
    "\nstopping in the safe order: vent, prove bled, then release or stay clamped; please wait\n"
)
_STDERR = 2


@contextlib.contextmanager
def ordered_end(interrupt: Callable[[], None], *, last: bool = False) -> Iterator[list[int]]:
    """Have each signal call ``interrupt`` inside the block; gives the signals that came.

    ``last`` is for a program with nothing but its closing words left after the block: if a signal
    came, later ones are then ignored, so that an impatient one does not cut those words short. In
    any thread but the main one, where Python takes no handlers, nothing is changed.
    """
    came: list[int] = []

    def ask(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        came.append(number)
        interrupt()
        # Not print: a handler may come in the middle of another print, or find stderr closed, and
        # must not raise into a scan.
        with contextlib.suppress(OSError):
            os.write(_STDERR, STOPPING.encode())

    if threading.current_thread() is not threading.main_thread():
        yield came
        return
    before = {name: signal.signal(name, ask) for name in _asking()}
    try:
        yield came
    finally:
        for name, handler in before.items():
            signal.signal(name, signal.SIG_IGN if last and came else handler)


def _asking() -> tuple[signal.Signals, ...]:
    """Return the signals that ask for the end; a closed terminal hangs up where there is one."""
    hang_up = getattr(signal, "SIGHUP", None)
    return (signal.SIGINT, signal.SIGTERM, *(() if hang_up is None else (hang_up,)))
