"""Measuring and telling: repeated, medians, ratios first."""

import statistics
import time
from collections.abc import Callable, Sequence
from typing import NamedTuple


class Took(NamedTuple):
    """One measurement: by the clock on the wall, and what the processor spent on us."""

    wall_s: float
    cpu_s: float


def took(work: Callable[[], object]) -> Took:
    """Measure one call."""
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    work()
    return Took(time.perf_counter() - wall_s, time.process_time() - cpu_s)


def median_s(work: Callable[[], object], times: int) -> Took:
    """Return the medians over repeated calls, wall and processor each for itself."""
    all_took = [took(work) for _ in range(times)]
    return Took(
        statistics.median(one.wall_s for one in all_took),
        statistics.median(one.cpu_s for one in all_took),
    )


def percentile(values: Sequence[float], share: float) -> float:
    """Return the value below which a share of the values lies."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def tell(title: str, header: Sequence[str], rows: Sequence[Sequence[str]], note: str = "") -> None:
    """Print a Markdown table."""
    print(f"\n### {title}\n")
    widths = [max(len(row[at]) for row in (header, *rows)) for at in range(len(header))]
    for row in (header, ["-" * width for width in widths], *rows):
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        print("| " + " | ".join(cells) + " |")
    if note:
        print(f"\n{note}")


def times(ratio: float) -> str:
    """Show a ratio."""
    return f"{ratio:.2f} x" if ratio < 10.0 else f"{ratio:.0f} x"
