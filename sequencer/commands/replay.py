"""`imprint replay`: a recorded run through the same core again, compared scan by scan."""

import argparse
import dataclasses
from pathlib import Path

from sequencer.codes import COMPLETE, ENDED_OTHERWISE
from sequencer.commands.document import print_document
from sequencer.runtime.records import Records
from sequencer.runtime.replay import ReplayResult, replay


def main(given: argparse.Namespace) -> int:
    """Run the command."""
    records = Records(None if given.records is None else Path(given.records))
    try:
        result = replay(records, given.run)
    finally:
        records.close()
    if given.json:
        print_document({**dataclasses.asdict(result), "identical": result.identical})
    else:
        print(_told(result))
    return COMPLETE if result.identical else ENDED_OTHERWISE


def _told(result: ReplayResult) -> str:
    head = f"REPLAY of run {result.run_id}: {result.duration_s:.1f} s, "
    counts = f"{result.scans} scans and {result.events} events"
    if result.difference is None:
        return f"{head}{counts}: identical, every output and every event"
    return f"{head}{counts} compared, then the first difference:\n  {result.difference.line()}"
