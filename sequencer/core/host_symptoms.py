"""What the interlocks look for in the host and its link: outputs, scans, sleep, the record."""

from sequencer.core.turn import Turn
from sequencer.wiring import channel_values

OVERRUN_ns = 150_000_000
CLOCK_GAP_ns = 500_000_000


def read_back(turn: Turn) -> str:
    """Outputs that do not do what was written."""
    if not turn.read_back:
        return ""
    written = channel_values(turn.memory.outputs, turn.rig)
    watchdog = turn.rig.outputs.get("watchdog")
    if watchdog is not None:
        written.pop(watchdog.channel)  # it changes all the time; its relay is what proves it
    wrong = [name for name, value in turn.read_back if name in written and written[name] != value]
    return f"not driven as written: {', '.join(wrong)}" if wrong else ""


def overrun(turn: Turn) -> str:
    """A late scan."""
    late_ns = turn.host.late_ns
    return f"the scan came {late_ns / 1e6:.0f} ms late" if late_ns > OVERRUN_ns else ""


def clock(turn: Turn) -> str:
    """A host that stood still."""
    gap_ns = abs(turn.host.clock_gap_ns)
    return f"the host stood still for {gap_ns / 1e9:.1f} s" if gap_ns > CLOCK_GAP_ns else ""


def record(turn: Turn) -> str:
    """A record that cannot be written."""
    return "" if turn.host.record_ok else "the record cannot be written"
