"""What a run rests on, and how high the film pressure may go on that.

Evidence below measured, and a rig without a dead-man, cap the film pressure.
"""

from collections.abc import Iterator

from sequencer.config import Rig
from sequencer.model import Means

_HAD = {
    Means.OPERATOR: "typed by an operator",
    Means.BY_EAR: "had by ear",
    Means.TIMED: "had by time alone",
}


def weakest(rig: Rig) -> Means:
    """Return the weakest means among the rig's evidence: what a run is verified by."""
    strongest_first = list(Means)
    return max(
        (Means(proof.by) for proof in rig.evidence.proofs().values()), key=strongest_first.index
    )


def film_cap(rig: Rig) -> tuple[float | None, tuple[str, ...]]:
    """Return the highest film pressure that evidence and dead-man allow, and what caps it so."""
    caps = [(cap_Pa, reason) for cap_Pa, reason, _ in cap_rows(rig)]
    lowest_Pa = min((cap_Pa for cap_Pa, _ in caps), default=None)
    return lowest_Pa, tuple(reason for cap_Pa, reason in caps if cap_Pa == lowest_Pa)


def cap_rows(rig: Rig) -> Iterator[tuple[float, str, str]]:
    """Give each cap that holds on a rig: its pressure, its reason, what would lift it."""
    for means, cap_Pa in (
        (Means.OPERATOR, rig.caps.operator_Pa),
        (Means.BY_EAR, rig.caps.by_ear_Pa),
        (Means.TIMED, rig.caps.timed_Pa),
    ):
        names = [name for name, proof in rig.evidence.proofs().items() if proof.by == means.value]
        if names:
            reason = f"caps.{means.value}, for evidence {_HAD[means]}: {', '.join(names)}"
            lift = "fit a film gauge" if means is Means.BY_EAR else "have these measured"
            yield cap_Pa, reason, lift
    if rig.dead_man == "none":
        reason = "caps.no_dead_man: nothing drops the outputs if this program is killed"
        yield rig.caps.no_dead_man_Pa, reason, "fit a watchdog relay or an I/O time-out"
