"""JSON of events is valid JSON, also where a time is without end."""

import json

from sequencer.events import StageEntered, wire
from sequencer.model import CycleStep
from sequencer.runtime.wire import text


def test_a_number_that_is_not_finite_becomes_null():
    event = StageEntered(CycleStep.IDLE, "rest", "a start request", float("inf"))
    facts = json.loads(text(wire(event)), parse_constant=lambda name: 1 / 0)
    assert facts == {
        "event": "stage_entered",
        "step": "idle",
        "stage": "rest",
        "waits_for": "a start request",
        "limit_s": None,
    }


def test_it_reaches_into_lists_and_tables():
    nan = float("nan")
    assert (
        text({"a": [1.5, nan], "b": {"c": (nan, "é")}}) == '{"a":[1.5,null],"b":{"c":[null,"é"]}}'
    )
