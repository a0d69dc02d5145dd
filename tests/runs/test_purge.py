"""`imprint purge`: both lines end empty, the clamp open; and it never goes on for ever."""

import pytest

from sequencer.config import Rig
from sequencer.model import Prompt
from sequencer.runtime.records import Records
from sequencer.runtime.replay import replay
from simulator import hands
from tests.runs.bench import Watched, rig, run, with_options

CHARGED = {
    "bench-instrumented": "180 psi",
    "bench-gauges": "100 psi",
    "bench-by-ear": "50 psi",
}


def end_of_day(name: str = "bench-instrumented") -> Rig:
    """The rig as a day leaves it: gas in the line up to the film's valve, regulator set."""
    gas = CHARGED[name]
    return with_options(rig(name), start={"supply_pressure": gas, "regulator": gas})


def lines_are_empty(done: Watched) -> None:
    limits, truth = rig().limits, done.truth
    assert truth.film_Pa <= limits.bled_Pa
    assert truth.gap_Pa <= limits.bled_Pa
    assert truth.outlet_Pa <= limits.bled_Pa
    assert truth.inlet_Pa <= limits.bled_Pa
    assert truth.air_line_Pa <= 1.3 * limits.clamp_open_Pa, "as a gauge read with error tells"
    assert truth.cylinder_Pa <= limits.clamp_open_Pa
    assert truth.piston_m < 0.1 * done.session.driver.bench().params.cylinder_stroke_m
    assert not done.session.driver.bench().hands.bottle_open
    assert not done.session.driver.bench().hands.air_open
    assert done.session.driver.bench().hands.regulator_Pa == 0.0


@pytest.mark.parametrize("name", CHARGED)
def test_it_ends_with_both_lines_empty_and_the_clamp_open(name: str, tmp_path) -> None:
    records = tmp_path / "records.db"
    done = run(end_of_day(name), kind="purge", records=records)
    assert done.document["outcome"] == "complete"
    assert done.document["recipe_digest"] is None
    assert done.ended is not None
    assert done.ended.step.value == "idle"
    assert done.broken == []
    assert done.trips == []
    lines_are_empty(done)
    order = ["blank_in", "hands_clear", "bottle_shut", "gauges_zero", "regulator_out", "air_shut"]
    places = [done.asked.index(topic) for topic in order]
    assert places == sorted(places)
    assert replay(Records(records), "last").identical


STAGES = [
    "blank", "hands", "fill", "bottle shut", "stroke", "let off", "gauges", "back out",
    "drain gap", "bled", "open", "air shut", "air stroke", "air let off", "air gauge",
]  # fmt: skip


@pytest.mark.parametrize("stage", STAGES)
def test_a_stop_in_it_is_ordered(stage: str) -> None:
    limits = rig().limits
    done = run(end_of_day(), kind="purge", stop_in=("purging", stage), interrupts=3)
    if stage == "air gauge":
        # Measured on this rig: the question lasts a scan, and the stop finds it over or not.
        assert done.document["outcome"] in ("stopped", "complete")
    else:
        assert done.document["outcome"] == "stopped"
    assert done.ended is not None
    assert done.ended.interrupted
    assert done.ended.step.value == "idle", done.steps
    assert done.broken == []
    assert done.truth.film_Pa <= limits.bled_Pa
    assert done.truth.piston_m < 0.9 * done.session.driver.bench().params.cylinder_stroke_m


def test_a_bottle_that_is_not_really_shut_trips_and_does_not_go_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def leave_open(bench: object, eyes: object, prompt: Prompt) -> None:
        """The person says "shut", and did not turn the valve far enough."""

    task = hands.TASKS["bottle_shut"]._replace(deeds=((0.8, leave_open),))
    monkeypatch.setitem(hands.TASKS, "bottle_shut", task)
    done = run(end_of_day(), kind="purge")
    assert done.trips == ["line_not_empty"]
    assert done.document["outcome"] == "tripped"
    assert "is the bottle valve shut?" in done.document["problems"][0]
    strokes = sum(1 for step, stage in done.places if (step, stage) == ("purging", "stroke"))
    assert strokes == rig().limits.purge_strokes
    assert done.ended is not None
    assert done.ended.step.value == "safe_clamped"
    assert done.truth.film_Pa <= rig().limits.bled_Pa
    assert done.broken == []


def test_house_air_that_is_not_really_shut_trips_and_does_not_go_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    task = hands.TASKS["air_shut"]._replace(deeds=())
    monkeypatch.setitem(hands.TASKS, "air_shut", task)
    done = run(end_of_day(), kind="purge")
    assert done.trips == ["line_not_empty"]
    assert "is house air shut?" in done.document["problems"][0]
    assert done.broken == []


@pytest.mark.parametrize("name", ["bench-gauges", "bench-by-ear"])
def test_a_bottle_left_open_is_found_by_the_gauges(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    task = hands.TASKS["bottle_shut"]._replace(deeds=())
    monkeypatch.setitem(hands.TASKS, "bottle_shut", task)
    done = run(end_of_day(name), kind="purge")
    assert done.trips == ["line_not_empty"]
    assert done.broken == []
