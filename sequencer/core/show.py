"""What a stage waits for, in values a person can compare: now, target, how far, how long."""

import math

from sequencer.core.evidence import film_target_Pa, heating_s
from sequencer.core.stages import Stage
from sequencer.core.turn import Turn
from sequencer.model import CycleStep, Wait
from sequencer.units import show_pressure, show_temperature, show_time

Shown = tuple[str, str, float | None]


def waiting(turn: Turn, stage: Stage) -> Wait | None:
    """Return the wait of the stage in hand, None where nothing is waited for."""
    usual_s, limit_s = stage.usual(turn), stage.limit(turn)
    if turn.in_step(CycleStep.IDLE):
        return None
    now, target, progress = _values(turn, stage)
    waited_s = turn.stage_age_s()
    if progress is None and math.isfinite(usual_s) and usual_s > 0:
        progress = min(1.0, waited_s / usual_s)
    return Wait(stage.waits_for, now, target, waited_s, usual_s, limit_s, progress)


def _values(turn: Turn, stage: Stage) -> Shown:
    step, name = turn.memory.step, stage.name
    if turn.memory.prompts:
        return "a person's answer", "", None
    if step is CycleStep.HOLDING:
        return _dwell(turn)
    if step is CycleStep.COOLING:
        return _cooling(turn)
    if name in ("warm", "soak"):
        return _warming(turn)
    if name == "fill":
        return _filling(turn)
    if name == "regulator":
        supply = f"supply {_pressure(turn.seen.supply_Pa)}"
        return supply, show_pressure(turn.recipe.imprint.film_pressure_Pa), None
    if name == "raise":
        return _film(turn, turn.recipe.imprint.film_pressure_Pa)
    if name == "open":
        clamp = _pressure(turn.seen.clamp_Pa)
        return f"clamp {clamp}", show_pressure(turn.rig.limits.clamp_open_Pa), None
    if step is CycleStep.PURGING and name == "stroke":
        return f"stroke {turn.memory.strokes + 1}", f"at most {turn.rig.limits.purge_strokes}", None
    return f"film {_pressure(turn.seen.film_Pa)}", show_pressure(turn.rig.limits.bled_Pa), None


def _pressure(value_Pa: float | None) -> str:
    return "UNKNOWN" if value_Pa is None else show_pressure(value_Pa)


def _temperature(value_degC: float | None) -> str:
    return "UNKNOWN" if value_degC is None else show_temperature(value_degC)


def _dwell(turn: Turn) -> Shown:
    hold_s, done_s = turn.recipe.imprint.hold_s, turn.memory.in_band_ns / 1e9
    return show_time(done_s), show_time(hold_s), min(1.0, done_s / hold_s)


def _warming(turn: Turn) -> Shown:
    target_degC, head_degC = turn.recipe.imprint.temperature_degC, turn.seen.head_degC
    target = show_temperature(target_degC)
    soak_s = (
        turn.recipe.imprint.soak_s
        if turn.in_step(CycleStep.HEATING)
        else turn.recipe.imprint.soak_under_clamp_s
    )
    if head_degC is None:
        return f"head {_temperature(head_degC)}", target, None
    left_s = heating_s(turn, turn.recipe) + soak_s
    waited_s = turn.stage_age_s()
    return f"head {_temperature(head_degC)}", target, min(0.99, waited_s / (waited_s + left_s))


def _cooling(turn: Turn) -> Shown:
    demold = turn.recipe.demold
    target_degC = demold.temperature_degC if demold is not None else 0.0
    head_degC, top_degC = turn.seen.head_degC, turn.recipe.imprint.temperature_degC
    if head_degC is None:
        return "head UNKNOWN", show_temperature(target_degC), None
    progress = (top_degC - head_degC) / max(1.0, top_degC - target_degC)
    return (
        f"head {_temperature(head_degC)}",
        show_temperature(target_degC),
        min(1.0, max(0.0, progress)),
    )


def _filling(turn: Turn) -> Shown:
    limit = turn.rig.limits.clamp_permit
    return (
        f"clamp {_pressure(turn.seen.clamp_Pa)}",
        f"margin {limit:.2f} at {show_pressure(film_target_Pa(turn))}",
        None,
    )


def _film(turn: Turn, target_Pa: float) -> Shown:
    return f"film {_pressure(turn.seen.film_Pa)}", show_pressure(target_Pa), None
