"""What a stage waits for, in values a person can compare: now, target, how far, how long."""

import math
from typing import NamedTuple

from sequencer.core.evidence import film_target_Pa, heating_s
from sequencer.core.stages import Stage
from sequencer.core.turn import Turn
from sequencer.core.waits import cooling_s, cooling_within_s
from sequencer.model import CycleStep, Wait
from sequencer.units import show_pressure, show_temperature, show_time

FILM_STAGES = ("vent", "bled", "bled again", "let off", "drain gap", "bleed", "locked")
TRIED_STAGES = ("try isolation", "try supply", "leak test")


class Shown(NamedTuple):
    """What a wait shows; empty texts and None where there is nothing to compare."""

    now: str = ""
    target: str = ""
    progress: float | None = None
    left_s: float | None = None


def waiting(turn: Turn, stage: Stage) -> Wait | None:
    """Return the wait of the stage in hand, None where nothing is waited for."""
    if turn.in_step(CycleStep.IDLE):
        return None
    usual_s, limit_s = stage.usual(turn), stage.limit(turn)
    if turn.in_step(CycleStep.COOLING):
        limit_s = cooling_within_s(turn)  # then a person is asked
    shown = _shown(turn, stage.name)
    waited_s = turn.stage_age_s()
    left_s = max(0.0, usual_s - waited_s) if shown.left_s is None else shown.left_s
    if shown.left_s is not None:
        usual_s = waited_s + left_s
    progress = shown.progress
    if progress is None and math.isfinite(usual_s) and usual_s > 0:
        progress = min(1.0, waited_s / usual_s)
    return Wait(
        stage.waits_for, shown.now, shown.target, waited_s, usual_s, limit_s, left_s, progress
    )


def _shown(turn: Turn, name: str) -> Shown:
    step, seen, limits = turn.memory.step, turn.seen, turn.rig.limits
    if turn.memory.prompts:
        return Shown("a person's answer")
    if step is CycleStep.HOLDING and name == "dwell":
        return _dwell(turn)
    if step is CycleStep.COOLING:
        return _cooling(turn)
    if name in ("warm", "soak"):
        return _warming(turn)
    if name == "fill":
        margin = f"margin {limits.clamp_permit:.2f}"
        target = f"for {margin} at {show_pressure(film_target_Pa(turn))}"
        return Shown(f"clamp {_pressure(seen.clamp_Pa)}", target)
    if name == "regulator":
        return Shown(f"supply {_pressure(seen.supply_Pa)}", f"of {_film_wanted(turn)}")
    if name == "raise":
        return Shown(f"film {_pressure(seen.film_Pa)}", f"up to {_film_wanted(turn)}")
    if name == "open":
        target = f"down to {show_pressure(limits.clamp_open_Pa)}"
        return Shown(f"clamp {_pressure(seen.clamp_Pa)}", target)
    if name in ("stroke", "air stroke"):
        return Shown(f"stroke {turn.memory.strokes + 1}")
    if name in FILM_STAGES:
        target = f"down to {show_pressure(limits.bled_Pa)}"
        return Shown(f"film {_pressure(seen.film_Pa)}", target)
    if name in TRIED_STAGES:
        return Shown(f"film {_pressure(seen.film_Pa)}", "and not moving")
    return Shown()


def _film_wanted(turn: Turn) -> str:
    return show_pressure(turn.recipe.imprint.film_pressure_Pa)


def _pressure(value_Pa: float | None) -> str:
    return "UNKNOWN" if value_Pa is None else show_pressure(value_Pa)


def _dwell(turn: Turn) -> Shown:
    hold_s, done_s = turn.recipe.imprint.hold_s, turn.memory.in_band_ns / 1e9
    left_s = max(0.0, hold_s - done_s)
    return Shown(show_time(done_s), f"of {show_time(hold_s)}", min(1.0, done_s / hold_s), left_s)


def _warming(turn: Turn) -> Shown:
    imprint, head_degC = turn.recipe.imprint, turn.seen.head_degC
    target = f"up to {show_temperature(imprint.temperature_degC)}"
    if head_degC is None:
        return Shown("head UNKNOWN", target)
    soak_s = imprint.soak_s if turn.in_step(CycleStep.HEATING) else imprint.soak_under_clamp_s
    left_s, waited_s = heating_s(turn, turn.recipe) + soak_s, turn.stage_age_s()
    progress = min(0.99, waited_s / max(1.0, waited_s + left_s))
    return Shown(f"head {show_temperature(head_degC)}", target, progress, left_s)


def _cooling(turn: Turn) -> Shown:
    demold, head_degC = turn.recipe.demold, turn.seen.head_degC
    target_degC = demold.temperature_degC if demold is not None else 0.0
    target = f"down to {show_temperature(target_degC)}"
    if head_degC is None:
        return Shown("head UNKNOWN", target)
    over_K = max(1.0, turn.recipe.imprint.temperature_degC - target_degC)
    share_left = min(1.0, max(0.0, (head_degC - target_degC) / over_K))
    left_s = share_left * cooling_s(turn)
    return Shown(f"head {show_temperature(head_degC)}", target, 1.0 - share_left, left_s)
