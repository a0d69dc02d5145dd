"""`imprint dry-run`: the same sequencer on the simulated rig, in virtual time."""

import argparse
from pathlib import Path

from sequencer.check import load_pair
from sequencer.codes import COMPLETE, ENDED_OTHERWISE
from sequencer.commands import plot
from sequencer.commands.document import print_document
from sequencer.commands.live import closing, operator
from sequencer.driver import Attendant
from sequencer.errors import InputRefused, Problem
from sequencer.files import digest
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import Sink
from sequencer.runtime.session import Job, Post, Session, need_attendant


def main(given: argparse.Namespace) -> int:
    """Run the command."""
    loaded = load_pair(given.recipe, given.rig)
    loaded.require()
    picture = None if given.plot is None else Path(given.plot)
    if picture is not None:
        plot.require(picture)
    if given.records is not None and not given.record:
        limit = "names where to keep a record, but none is asked for"
        raise InputRefused(Problem("--records", "", given.records, limit, "add --record"))
    job = Job(
        kind="dry-run",
        rig=loaded.rig,
        rig_file=loaded.rig_file,
        recipe=loaded.recipe,
        material=loaded.material,
        materials_digest=digest(loaded.materials),
        operator=operator(),
        seed=given.seed,
        warnings=tuple(problem.line() for problem in loaded.check.warnings),
    )
    session = Session(
        job,
        VirtualClock(),
        _attended,
        live=False,
        keep=given.record,
        records=None if given.records is None else Path(given.records),
        long_ticks=not given.every_tick,
    )
    need_attendant(session.driver, loaded.rig_file, "dry-run")
    ended = session.run()
    if picture is not None:
        plot.draw(ended.trace, loaded.rig, loaded.recipe, ended.document, picture)
    if given.json:
        print_document(ended.document)
    else:
        print(f"SIMULATION   rig {loaded.rig.name}   recipe {loaded.recipe.name}\n")
        closing(ended, predicted=True)
    return COMPLETE if ended.document["outcome"] == "complete" else ENDED_OTHERWISE


def _attended(post: Post, attendant: Attendant | None) -> Sink:
    assert attendant is not None  # looked at before the session runs
    return Attended(attendant, post)
