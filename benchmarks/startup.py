"""How long `imprint --help` lets a person wait, against an interpreter that does nothing."""

import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

from benchmarks.timing import tell, times

REPEATS = 15
MOST = 4.0


def main() -> None:
    """Measure in turns, so that what else the machine does falls on both alike; tell."""
    bare = [sys.executable, "-c", "pass"]
    command = [*_imprint(), "--help"]
    bare_s, help_s, ratios = [], [], []
    for _ in range(REPEATS):
        bare_s.append(_took_s(bare))
        help_s.append(_took_s(command))
        ratios.append(help_s[-1] / bare_s[-1])
    ratio = statistics.median(help_s) / statistics.median(bare_s)
    tell(
        "Start-up",
        ("command", "against a bare interpreter", "at most", "median", "least"),
        [
            ("python -c pass", "1 x", "", _ms(bare_s, statistics.median), _ms(bare_s, min)),
            (
                "imprint --help",
                times(ratio),
                f"{times(MOST)}: {'kept' if ratio <= MOST else 'NOT KEPT'}",
                _ms(help_s, statistics.median),
                _ms(help_s, min),
            ),
        ],
        f"Medians of {REPEATS} pairs; run as `{' '.join(command[-3:])}`.",
    )


def _imprint() -> list[str]:
    """Return the installed command of this interpreter, else its module."""
    found = shutil.which("imprint", path=str(Path(sys.executable).parent))
    return [found] if found else [sys.executable, "-m", "sequencer.cli"]


def _took_s(command: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def _ms(values: list[float], of: object) -> str:
    return f"{of(values) * 1e3:.0f} ms"  # type: ignore[operator]
