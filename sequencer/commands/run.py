"""`imprint run`: one automated cycle, recorded."""

import argparse

from sequencer.check import load_pair
from sequencer.commands.live import operator, perform
from sequencer.files import digest
from sequencer.runtime.session import Job


def main(given: argparse.Namespace) -> int:
    """Run the command."""
    loaded = load_pair(given.recipe, given.rig)
    loaded.require()
    job = Job(
        kind="run",
        rig=loaded.rig,
        rig_file=loaded.rig_file,
        recipe=loaded.recipe,
        material=loaded.material,
        materials_digest=digest(loaded.materials),
        sample=given.sample,
        operator=operator(),
        seed=given.seed,
        warnings=tuple(problem.line() for problem in loaded.check.warnings),
    )
    return perform(job, given)
