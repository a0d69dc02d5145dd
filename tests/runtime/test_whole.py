"""Everything around the core with the core itself and the simulated rig: a cycle, its replay."""

from datetime import UTC, datetime
from itertools import pairwise

import pytest

from sequencer.core.step import Sequencer
from sequencer.model import CycleStep, Request, RequestKind
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import LONG_TICK_ns, Loop
from sequencer.runtime.record import Head, open_run
from sequencer.runtime.records import Records
from sequencer.runtime.replay import replay
from sequencer.runtime.summary import Summary
from simulator.driver import create
from tests.fakes import bench_rig, grating_recipe, start

RIG, RECIPE = bench_rig(), grating_recipe()
UTC_START = datetime(2026, 11, 25, tzinfo=UTC)


@pytest.fixture(scope="module")
def cycle(tmp_path_factory):
    path = tmp_path_factory.mktemp("whole") / "records.db"
    driver = create(RIG.driver.options, RIG, "bench")
    driver.open()
    summary = Summary(RIG, RECIPE, run_id="whole", prediction=driver.prediction)
    recorder = open_run(path, Head("whole", UTC_START, "dry-run", RIG, RECIPE), live=False)
    core, clock = Sequencer(RIG), VirtualClock()
    loop = Loop(core, driver, RIG, clock, [summary], record=recorder, long_tick_ns=LONG_TICK_ns)
    loop.tell(Attended(driver.attendant(), loop.post))
    loop.post(Request(RequestKind.RESET, "reset", "test", at_rig=True))
    loop.run_until(lambda step: step.step is CycleStep.IDLE)
    loop.post(start(RECIPE))
    loop.turn()
    loop.run_until(lambda step: step.step in (CycleStep.IDLE, CycleStep.FAULTED))
    recorder.close(summary.document())
    assert loop.sink_faults == []
    return path, summary


def test_the_cycle_completes_on_measured_evidence(cycle):
    document = cycle[1].document()
    assert (document["outcome"], document["verified"]) == ("complete", "measured")
    assert [step["step"] for step in document["steps"]] == [
        "heating", "clamping", "pressurizing", "holding", "cooling", "venting", "releasing",
    ]  # fmt: skip
    times = [(step["entered_s"], step["left_s"]) for step in document["steps"]]
    assert all(left == entered for (_, left), (entered, _) in pairwise(times))
    assert sum(left - entered for entered, left in times) == pytest.approx(document["duration_s"])
    assert document["alarms"] == document["problems"] == []
    asked_kPa = RECIPE.imprint.film_pressure_Pa / 1e3
    assert document["peak_film_pressure_kPa"] == pytest.approx(asked_kPa, rel=0.05)
    assert document["min_clamp_margin"] > RIG.limits.clamp_permit
    assert document["min_film_margin"] > RIG.limits.film_margin
    assert document["fill_fraction"] > 0.9
    assert document["gas_used_g"] > 0.0


def test_the_trace_shows_the_cycle(cycle):
    trace = cycle[1].trace()
    film_Pa = [point.film_Pa for point in trace if point.film_Pa is not None]
    assert max(film_Pa) == pytest.approx(RECIPE.imprint.film_pressure_Pa, rel=0.05)
    assert trace[-1].fill_fraction > 0.9
    assert 500 < len(trace) <= 4000


def test_the_real_core_replays_identically(cycle):
    records = Records(cycle[0])
    assert records.find("last").outcome == cycle[1].document()
    result = replay(records, "whole")
    assert result.identical, result.difference.line()
    assert result.duration_s > 600.0
    assert result.events > 40


def test_the_real_core_with_another_limit_is_found_out(cycle):
    def hotter(rig):
        limits = rig.limits.model_copy(update={"head_band_K": 4.0 * rig.limits.head_band_K})
        return Sequencer(rig.model_copy(update={"limits": limits}))

    difference = replay(Records(cycle[0]), "whole", hotter).difference
    assert difference is not None
    assert difference.time_s > 60.0
