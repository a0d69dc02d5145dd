"""Measure everything and print it as Markdown: ``python -m benchmarks [PART ...]``.

Ratios stand first, because they hold on other machines too; both sides of each are measured side
by side in this one run. Nothing here is a test: a busy machine fails nobody.
"""

import argparse
import os
import platform
import time
from importlib import import_module

PARTS = {
    "startup": "start-up of the command",
    "dry_run": "dry-run against real time, and where a turn's time goes",
    "scan": "the core, the record and its replay, scan by scan",
    "plant": "the plant against a general integrator",
    "memory": "memory of an hour",
}


def main() -> None:
    """Run the parts that are asked for, by default all."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks",
        description="Measure, and print Markdown.",
        epilog="parts: " + "; ".join(f"{name}: {what}" for name, what in PARTS.items()),
    )
    parser.add_argument("parts", nargs="*", metavar="PART", help="what to measure (default: all)")
    parts = parser.parse_args().parts or list(PARTS)
    unknown = [part for part in parts if part not in PARTS]
    if unknown:
        parser.error(f"no such part: {', '.join(unknown)}; parts: {', '.join(PARTS)}")
    began = time.perf_counter()
    print("## Benchmarks\n")
    print(f"Python {platform.python_version()}, {platform.system()} on {platform.machine()}, ")
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} at the start.")
    for part in parts:
        import_module(f"benchmarks.{part}").main()
    print(f"\nMeasured in {time.perf_counter() - began:.0f} s.")


if __name__ == "__main__":
    main()
