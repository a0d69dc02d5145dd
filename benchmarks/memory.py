"""How much memory a dry-run of an hour takes, every tick kept."""

import json
import resource
import subprocess
import sys
from pathlib import Path

from benchmarks.cycle import RECIPE, bench, run
from benchmarks.timing import tell
from sequencer.files import find, load
from sequencer.recipe import Recipe
from sequencer.runtime.loop import LONG_TICK_ns

MOST_MB = 200.0
HOUR_s = 3600.0


def main() -> None:
    """Measure in a process of its own, and tell."""
    said = subprocess.run(
        [sys.executable, "-m", "benchmarks.memory"], check=True, capture_output=True, text=True
    )
    found = json.loads(said.stdout)
    peak_MB = found["peak_MB"]
    tell(
        "Memory of a dry-run of an hour",
        ("dry-run", "of the 200 MB allowed", "peak", "of it before the first turn"),
        [
            (
                f"{found['simulated_s'] / 60:.0f} min, {found['turns']} turns",
                f"{peak_MB / MOST_MB:.0%}: {'kept' if peak_MB < MOST_MB else 'NOT KEPT'}",
                f"{peak_MB:.0f} MB",
                f"{found['before_MB']:.0f} MB",
            )
        ],
        "Resident memory of the whole process, interpreter and libraries included.",
    )


def _peak_MB() -> float:
    status = Path("/proc/self/status")
    if status.exists():
        # What the kernel hands down to a child counts the parent's memory too; this does not.
        words = status.read_text("ascii").split()
        return int(words[words.index("VmHWM:") + 1]) * 1024.0 / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6  # macOS counts bytes


def _measure() -> None:
    recipe = load(find("recipes", RECIPE), Recipe)
    imprint = recipe.imprint.model_copy(update={"hold_s": recipe.imprint.hold_s + HOUR_s - 1180.0})
    ready = bench(long_tick_ns=LONG_TICK_ns, recipe=recipe.model_copy(update={"imprint": imprint}))
    before_MB = _peak_MB()
    ran = run(ready)
    facts = {
        "peak_MB": _peak_MB(),
        "before_MB": before_MB,
        "simulated_s": ran.simulated_s,
        "turns": ran.turns,
    }
    print(json.dumps(facts))


if __name__ == "__main__":
    _measure()
