"""What the search of the core once found: each stays found by a test of its own."""

import pytest

from sequencer.core.estimate import estimate
from sequencer.core.memory import Gap, Memory
from sequencer.core.stages import STAGES
from sequencer.core.step import Sequencer
from sequencer.core.turn import Turn
from sequencer.model import CycleStep, Inputs, Quality, RawInput, Reading
from tests.core.bench import INSTRUMENTED


@pytest.mark.parametrize(
    ("found", "drained"), [("unknown", False), ("open", False), ("closed", True)]
)
def test_a_charged_gap_is_drained_in_venting_only_under_a_clamp_proven_closed(found, drained):
    turn = Turn(INSTRUMENTED, 0, Memory(gap=Gap.CHARGED, clamp_found=found))
    drains = [stage for stage in STAGES[CycleStep.VENTING] if stage.image.supply]
    assert drains
    assert all(stage.needed(turn) is drained for stage in drains)


def _status(first: Reading, second: Reading):
    core = Sequencer(INSTRUMENTED)
    raw = tuple(RawInput(0.0, False, 0) for _ in INSTRUMENTED.inputs)
    core.step(0, Inputs(raw))
    unread = Reading(0.0, Quality.BAD, 0, "not read")
    readings = dict.fromkeys(INSTRUMENTED.inputs, unread)
    readings |= {"head_temperature": first, "head_temperature_2": second}
    core._seen = estimate(INSTRUMENTED, readings)
    return core.status(0)


@pytest.mark.parametrize(
    ("first_degC", "second_degC", "hot"),
    [(25.0, 25.0, False), (25.0, 160.0, True), (160.0, 25.0, True)],
)
def test_hot_is_shown_by_the_hottest_head_sensor(first_degC, second_degC, hot):
    good = Reading(0.0, Quality.GOOD, 0)
    readings = (good._replace(value=first_degC), good._replace(value=second_degC))
    assert _status(*readings).hot is hot


def test_hot_is_shown_where_no_head_sensor_is_good():
    bad = Reading(20.0, Quality.BAD, 0, "open")
    assert _status(bad, bad).hot is True
