"""What a person is told about a run is what was so: no more evidence, and no less warning."""

from sequencer.core.memory import Memory, Purpose, Run
from sequencer.core.turn import Turn
from sequencer.core.waits import announced
from sequencer.events import Noted, RunEnded
from sequencer.model import CycleStep, Means, RequestKind
from tests.core.bench import INSTRUMENTED, at


def test_the_clamp_is_announced_once_before_it_moves():
    bench = at(CycleStep.CLAMPING)
    told = [event for event in bench.of(Noted) if "clamp closes in" in event.text]
    assert len(told) == 1


def test_the_announcement_is_made_in_the_first_look_at_the_stage():
    memory = Memory(stage_since_ns=0, last_ns=0)
    turn = Turn(INSTRUMENTED, 20_000_000, memory)
    announced(turn)
    announced(turn)
    assert [type(event) for event in turn.events] == [Noted]


def test_a_run_stopped_before_anything_was_proven_is_verified_by_nothing():
    bench = at(CycleStep.HEATING)
    bench.request(RequestKind.STOP)
    bench.run(1.0)
    assert bench.of(RunEnded)[-1].verified == ""


def test_a_run_is_as_well_verified_as_its_weakest_evidence_in_any_order():
    for order in ((Means.MEASURED, Means.OPERATOR), (Means.OPERATOR, Means.MEASURED)):
        memory = Memory(run=Run(Purpose.PURGE, None, "", "me", 0))
        turn = Turn(INSTRUMENTED, 0, memory)
        for means in order:
            turn.proved("something", means, "")
        assert memory.weakest is Means.OPERATOR
