"""The names in the cycle's table mean something, and every step can be reached and left."""

import inspect

import pytest

from sequencer.core.cycle import TABLE, Cycle, Guards, Row
from sequencer.core.guards import TurnGuards
from sequencer.core.stages import STAGES
from sequencer.core.turn import Turn, Verdict
from sequencer.model import FAULT_STEPS, CycleStep
from tests.core.bench import RIGS, Bench

NAMES = sorted({name for row in TABLE for name in (*row.when, *row.unless)})
ASKED = {name for name, item in vars(Guards).items() if inspect.isfunction(item) and name[0] != "_"}


@pytest.mark.parametrize("name", NAMES)
def test_every_guard_of_the_table_is_on_the_protocol_and_on_the_implementation(name):
    assert name in ASKED
    assert inspect.isfunction(getattr(TurnGuards, name))


def test_no_guard_stands_idle():
    assert set(NAMES) == ASKED


def test_guards_only_look():
    for name in NAMES:
        source = inspect.getsource(getattr(TurnGuards, name))
        body = source.split(":", 1)[1]
        assert "memory." not in body.split(" = ")[0] or "return" in body.split(" = ")[0]
        assert "emit" not in body


def test_every_step_can_be_reached_from_start_up_and_left():
    reached = {CycleStep.FAULTED}
    while True:
        more = {row.dest for row in TABLE if row.source in reached} - reached
        if not more:
            break
        reached |= more
    assert reached == set(CycleStep)
    assert {row.source for row in TABLE} == set(CycleStep)


def test_from_every_step_there_is_a_way_back_to_idle():
    home = {CycleStep.IDLE}
    while more := {row.source for row in TABLE if row.dest in home} - home:
        home |= more
    assert home == set(CycleStep)


def test_a_trip_leads_from_every_normal_step_into_a_fault_step_whatever_the_guards_say():
    for step in set(CycleStep) - set(FAULT_STEPS):
        rows = [row for row in TABLE if row.trigger == "trip" and row.source is step]
        assert rows, step
        assert {row.dest for row in rows} <= set(FAULT_STEPS)
        assert rows[-1].when == rows[-1].unless == ()


def test_no_row_hides_another():
    """Behind a row without guards there is none of the same trigger and source."""
    closed: set[tuple[str, CycleStep]] = set()
    for row in TABLE:
        key = (row.trigger, row.source)
        assert key not in closed, row
        if not row.when and not row.unless:
            closed.add(key)
    assert len(set(TABLE)) == len(TABLE)


def test_gas_is_let_in_only_behind_the_proof_of_the_clamp():
    assert [(r.trigger, r.source) for r in TABLE if r.dest is CycleStep.PRESSURIZING] == [
        ("done", CycleStep.CLAMPING)
    ]


def test_nothing_but_proof_and_word_leads_out_of_vent_unconfirmed():
    found = {(r.trigger, r.dest) for r in TABLE if r.source is CycleStep.VENT_UNCONFIRMED}
    assert {trigger for trigger, _ in found} == {"done", "maintained"}
    assert {dest for _, dest in found} == {CycleStep.SAFE_CLAMPED, CycleStep.FAULTED}


def test_an_unknown_trigger_is_a_fault_and_an_unfitting_one_changes_nothing(caplog):
    guards = TurnGuards()
    cycle = Cycle(guards)
    with pytest.raises(KeyError):
        cycle.fire("nudge", CycleStep.IDLE)
    assert cycle.fire("done", CycleStep.IDLE) is CycleStep.IDLE
    assert caplog.records == []  # the core does not log
    assert isinstance(TABLE[0], Row)


@pytest.mark.parametrize("step", CycleStep)
def test_every_step_has_stages_whose_waits_are_functions_of_the_turn(step):
    assert STAGES[step]
    for stage in STAGES[step]:
        assert inspect.isfunction(stage.wait), stage.name
        signature = inspect.signature(stage.wait)
        assert len(signature.parameters) == 1
        assert signature.return_annotation is Verdict, stage.name
        assert stage.waits_for
        assert stage.name


def test_stage_names_are_unique_in_their_step_on_every_rig():
    for rig in RIGS.values():
        bench = Bench(rig)
        turn = Turn(rig, 0, bench.memory)
        for step, stages in STAGES.items():
            if step is CycleStep.RELEASING:
                continue
            names = [stage.name for stage in stages if stage.needed(turn)]
            assert len(names) == len(set(names)), (rig.name, step)
