"""The end-of-day bleed of both gas lines, stage by stage.

The nitrogen line is emptied through the film, under clamp, in strokes; then the clamp is released,
and only then is the air line emptied by stroking the clamp. Five strokes or so for the nitrogen
line are common practice (no source); the cap comes from the rig's volumes.
"""

import math

from sequencer.core.evidence import BLED_WAIT, clamp_still_full, readings_bled
from sequencer.core.memory import Exposure
from sequencer.core.outputs import CLAMP
from sequencer.core.questions import Question, ask, forget, number, pressure
from sequencer.core.turn import Turn, Verdict
from sequencer.model import Means
from sequencer.units import show_pressure

STROKE_s = 1.0
UNSEEN_STROKES = 5  # where no sensor shows the peaks: common practice
AIR_STROKE = CLAMP
AIR_STROKES_CAP = 60


def blank_in(turn: Turn) -> Verdict:
    """The last stack, or a blank, is in the press: the film must not be pressed on nothing."""
    question = Question(
        "blank_in",
        "Bleed lines: is the last stack or a blank in the press, film flat, guard shut?",
        ("in place", "not ready"),
    )
    return ask(turn, question, lambda value: value == "in place")


def bottle_shut(turn: Turn) -> Verdict:
    """The bottle valve is shut and the regulator still open, so that the line can empty."""
    question = Question(
        "bottle_shut",
        "Close the bottle valve by hand; then see that the regulator is open, screwed in a little "
        "if it was backed out. Bottle shut?",
        ("shut",),
    )
    verdict = ask(turn, question, lambda value: value == "shut")
    if verdict is Verdict.DONE and not clamp_still_full(turn):
        return Verdict.WAIT
    if verdict is Verdict.DONE:
        turn.memory.strokes = 0
        turn.memory.stroke_peak_Pa = 0.0
        turn.proved("bottle_shut", Means.OPERATOR, "a person shut it")
    return verdict


def stroked(turn: Turn) -> Verdict:
    """One stroke: the line's gas has had its time to flow into the film."""
    memory = turn.memory
    if turn.seen.film_Pa is not None:
        memory.stroke_peak_Pa = max(memory.stroke_peak_Pa, turn.seen.film_Pa)
    if turn.stage_age_s() < STROKE_s:
        return Verdict.WAIT
    memory.strokes += 1
    return Verdict.DONE


def stroke_let_off(turn: Turn) -> Verdict:
    """The stroke is let off; another one follows while this one still carried pressure."""
    rig, memory = turn.rig, turn.memory
    if rig.film_roles:
        if not readings_bled(turn):
            return Verdict.WAIT
        more = memory.stroke_peak_Pa > rig.limits.bled_Pa
    else:
        if turn.stage_age_s() < BLED_WAIT * rig.commissioned.film_vent_s:
            return Verdict.WAIT
        more = memory.strokes < UNSEEN_STROKES or math.isinf(memory.stroke_peak_Pa)
    if more and not clamp_still_full(turn):
        return Verdict.WAIT
    memory.stroke_peak_Pa = 0.0
    if not more:
        return Verdict.DONE
    if memory.strokes >= rig.limits.purge_strokes:
        turn.failure = (
            f"{memory.strokes} strokes, nitrogen line not empty: is the bottle valve shut?"
        )
        return Verdict.FAILED
    return Verdict.BACK


def gauges_zero(turn: Turn) -> Verdict:
    """Both regulator gauges read zero; if not, the line is stroked again."""
    question = pressure(
        "gauges_zero",
        "Read both gauges of the regulator: what does the higher one show?",
        20.0 * turn.rig.limits.bottle_change_out_Pa,
        0.0,
    )
    verdict = ask(turn, question, lambda _value: True)
    if verdict is Verdict.DONE and number(turn, "gauges_zero") > turn.rig.limits.bled_Pa:
        forget(turn, "gauges_zero")
        turn.memory.stroke_peak_Pa = math.inf  # wants another stroke
        return Verdict.BACK
    if verdict is Verdict.DONE:
        detail = f"higher gauge {show_pressure(number(turn, 'gauges_zero'))}"
        turn.proved("nitrogen_line_empty", Means.OPERATOR, detail)
    return verdict


def regulator_out(turn: Turn) -> Verdict:
    """The regulator is backed out, so that tomorrow begins without pressure."""
    question = Question(
        "regulator_out", "Back the regulator out until it is loose. Done?", ("backed out",)
    )
    return ask(turn, question, lambda value: value == "backed out")


def air_shut(turn: Turn) -> Verdict:
    """House air is shut by hand, with the guard shut because the clamp will move once more."""
    question = Question(
        "air_shut",
        "The clamp is open. Shut the guard, keep clear, and shut the house air by hand. Shut?",
        ("shut",),
    )
    guard_shut = turn.seen.guard_closed is True or not turn.rig.has("guard_closed")
    verdict = ask(turn, question, lambda value: value == "shut" and guard_shut)
    if verdict is Verdict.DONE:
        turn.memory.strokes = 0
    return verdict


def air_stroked(turn: Turn) -> Verdict:
    """One stroke of the clamp: the air line has had its time to flow into the cylinder."""
    if turn.stage_age_s() < turn.rig.commissioned.clamp_fill_s:
        return Verdict.WAIT
    if turn.memory.exposure is not Exposure.NO:
        return Verdict.WAIT  # gas where none should be: the clamp stays shut on it
    turn.memory.strokes += 1
    return Verdict.DONE


def air_let_off(turn: Turn) -> Verdict:
    """The cylinder is let off; strokes go on until the air line is empty."""
    rig, memory = turn.rig, turn.memory
    if turn.stage_age_s() < rig.commissioned.clamp_release_s:
        return Verdict.WAIT
    if rig.has("air_pressure"):
        air_Pa = turn.seen.air_Pa
        more = air_Pa is None or air_Pa > rig.limits.clamp_open_Pa
    else:
        more = memory.strokes < UNSEEN_STROKES
    more = more or math.isinf(memory.stroke_peak_Pa)
    memory.stroke_peak_Pa = 0.0
    if not more:
        return Verdict.DONE
    if memory.strokes >= AIR_STROKES_CAP:
        turn.failure = f"{memory.strokes} strokes, air line not empty: is house air shut?"
        return Verdict.FAILED
    return Verdict.BACK


def air_zero(turn: Turn) -> Verdict:
    """The air gauge reads zero and the clamp no longer travels fully."""
    if turn.rig.has("air_pressure") and "air" not in turn.rig.gauges:
        return Verdict.DONE
    limit_Pa = turn.rig.limits.clamp_open_Pa
    question = pressure(
        "air_gauge",
        f"Read the air gauge (under {show_pressure(limit_Pa)} is empty): what does it show?",
        2.0 * turn.rig.limits.air_pressure_Pa,
        0.0,
    )
    verdict = ask(turn, question, lambda _value: True)
    if verdict is Verdict.DONE and number(turn, "air_gauge") > limit_Pa:
        forget(turn, "air_gauge")
        turn.memory.stroke_peak_Pa = math.inf  # wants another stroke
        return Verdict.BACK
    if verdict is Verdict.DONE:
        detail = f"gauge {show_pressure(number(turn, 'air_gauge'))}"
        turn.proved("air_line_empty", Means.OPERATOR, detail)
    return verdict
