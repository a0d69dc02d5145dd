"""What a rule looks at: one scan, the one before it, what is remembered, and the known truth."""

from dataclasses import replace
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.core.memory import Memory
from sequencer.events import RequestAnswered, Step
from sequencer.model import Clamp, CycleStep, Inputs, Outputs

WAY_BACK = ("reset", "release")


class Truth(NamedTuple):
    """What is true of the rig, whatever its sensors say; only a simulation knows it."""

    film_Pa: float
    clamp_Pa: float


class Past(NamedTuple):
    """What the rules remember of the scans before.

    ``told`` is the last thing the clamp was told, LEAVE if nothing yet; ``way_back`` tells that a
    person's reset or release was accepted since this fault step began.
    """

    outputs: Outputs = Outputs()
    memory: Memory = Memory()
    told: Clamp = Clamp.LEAVE
    way_back: bool = False


class Look(NamedTuple):
    """One scan, the one before it, and the truth where it is known."""

    rig: Rig
    now_ns: int
    inputs: Inputs
    before: Outputs
    then: Memory
    step: Step
    memory: Memory
    told: Clamp
    way_back: bool
    truth: Truth | None = None

    @property
    def out(self) -> Outputs:
        """The image that this scan gave."""
        return self.step.outputs


def look_at(
    past: Past,
    rig: Rig,
    now_ns: int,
    inputs: Inputs,
    step: Step,
    memory: Memory,
    truth: Truth | None = None,
) -> Look:
    """Return what the rules look at for one scan; ``memory`` is a snapshot taken after it."""
    way_back = past.way_back or _asked_back(step)
    return Look(
        rig, now_ns, inputs, past.outputs, past.memory, step, memory, past.told, way_back, truth
    )


def remember(look: Look) -> Past:
    """Return what the rules of the next scan need to know of this one."""
    way_back = look.way_back
    if look.step.step is not look.then.step:
        # A reset out of faulted may end in safe_clamped; only its own step counts. One in idle
        # asks for the proofs of faulted.
        way_back = _asked_back(look.step) and look.then.step is CycleStep.IDLE
    told = look.told if look.out.clamp is Clamp.LEAVE else look.out.clamp
    return Past(look.out, look.memory, told, way_back)


def _asked_back(step: Step) -> bool:
    return any(
        isinstance(event, RequestAnswered) and event.accepted and event.kind in WAY_BACK
        for event in step.events
    )


def film_low(look: Look) -> bool:
    """Tell whether every film sensor of the rig shows an empty film in this scan."""
    seen = look.step.estimate
    if not look.rig.film_roles:
        return True
    return seen.film_known and seen.film_Pa is not None and seen.film_Pa <= look.rig.limits.bled_Pa


def where(look: Look, what: str) -> str:
    """Say where something was found."""
    return f"{what} in {look.step.step.value}/{look.step.stage}"


def safe_but_for_its_stage(look: Look) -> bool:
    """Tell whether an image is safe, except for a vent being stroked or a gap being drained."""
    out, here = look.out, (look.step.step, look.step.stage)
    if here == (CycleStep.VENT_UNCONFIRMED, "vent stroke") and not look.rig.three_way:
        out = replace(out, vent_open=True)
    under_clamp = out.clamp is Clamp.APPLY and look.memory.trip is None
    if here == (CycleStep.SAFE_CLAMPED, "drain gap") and under_clamp:
        out = replace(out, supply_open=False)
    return safe(out)


def safe(out: Outputs) -> bool:
    """Tell whether an image is the safe one but for the clamp."""
    gas = out.supply_open or out.isolation_open or not out.vent_open
    return not (gas or out.heater_on or out.coolant_on)
