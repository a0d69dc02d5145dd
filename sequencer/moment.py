"""Moments of a rehearsal as people write them: a time after the first scan, or a place in a step.

``"90 s"``; ``"holding"``; ``"holding + 30 s"``; ``"clamping/fill + 0.2 s"``; ``"venting scan 3"``.
"""

import difflib
import re
from typing import NamedTuple

from sequencer.model import CycleStep
from sequencer.units import TIME, parse

SCAN_s = 0.02
"""The usual tick, in which a scan of a step is counted."""
STEPS = tuple(step.value for step in CycleStep)
_IN_STEP = re.compile(
    r"(?P<place>[a-z_]+(?:/[a-z -]+?)?)\s*(?:\+\s*(?P<time>.+)|scan\s+(?P<scan>\d+))?"
)


class Moment(NamedTuple):
    """A time after a place is entered: a step, or a step and a stage behind a slash.

    An empty place means the first scan.
    """

    place: str
    after_s: float


def moment(text: str) -> Moment:
    """Return the moment that a text means.

    Raises:
        ValueError: in one line, if it means none.
    """
    found = _IN_STEP.fullmatch(text.strip())
    place, time = ("", text) if found is None else (found["place"], found["time"] or "0 s")
    step = place.partition("/")[0]
    if place and step not in STEPS:
        near = difflib.get_close_matches(step, STEPS, n=2, cutoff=0.5) or STEPS
        raise ValueError(f"{step} is no step; known: {', '.join(near)}")
    if found is not None and found["scan"]:
        return Moment(place, int(found["scan"]) * SCAN_s)
    after_s = parse(time, TIME)
    if after_s < 0:
        raise ValueError("lies in the past; write a time of 0 s or more")
    return Moment(place, after_s)


def is_at(place: str, step: CycleStep, stage: str) -> bool:
    """Tell whether a step and stage are a moment's place."""
    return place in (step.value, f"{step.value}/{stage}")
