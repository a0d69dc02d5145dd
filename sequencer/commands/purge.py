"""`imprint purge`: the end-of-day bleed of both gas lines, recorded."""

import argparse

from sequencer.check import load_rig
from sequencer.commands.live import operator, perform
from sequencer.runtime.session import Job


def main(given: argparse.Namespace) -> int:
    """Run the command."""
    rig, file = load_rig(given.rig)
    job = Job(kind="purge", rig=rig, rig_file=file, operator=operator(), seed=given.seed)
    return perform(job, given)
