"""What the violations found mean: a hole in the sequence, or work for hardware.

Only the invariant on the rig's true state may be broken, and only under a fault for which the
remedy below is not fitted: that no order of steps can hold. Anything else is a violation.
"""

from collections.abc import Callable
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.explore.plant import Fault
from sequencer.invariants.gas import the_clamp_holds_the_film
from sequencer.invariants.table import INVARIANTS

TRUE_STATE = next(i.label for i in INVARIANTS if i.rule is the_clamp_holds_the_film)


class Remedy(NamedTuple):
    """What hardware holds where software cannot: for which fault, on which rigs, and what it is."""

    how: tuple[str, ...]
    what: tuple[str, ...]
    lacks: Callable[[Rig], bool]
    fit: str


REMEDIES: tuple[Remedy, ...] = (
    Remedy(
        ("lost", "low"),
        ("clamp_air",),
        lambda _rig: True,
        "a check valve and a reservoir that hold the clamp longer than the vent takes",
    ),
    Remedy(
        ("stuck open",),
        ("film_supply",),
        lambda rig: not rig.isolated,
        "a second nitrogen shut-off in series",
    ),
    Remedy(
        ("stuck",),
        ("film_pressure",),
        lambda rig: len(rig.film_roles) < 2,
        "a second, independent film pressure sensor",
    ),
    Remedy(
        ("without power",),
        ("clamp_valve",),
        lambda rig: rig.clamp_rests == "release",
        "a clamp valve that holds without power",
    ),
)


def remedy(rig: Rig, label: str, faults: tuple[Fault, ...]) -> str:
    """Return what hardware would hold a violation, empty where the sequence itself must."""
    if label != TRUE_STATE:
        return ""
    for item in REMEDIES:
        for fault in faults:
            if fault.how in item.how and fault.what in item.what and item.lacks(rig):
                return item.fit
    return ""
