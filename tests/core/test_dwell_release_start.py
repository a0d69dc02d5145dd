"""The dwell, the release, and start-up: what the cycle table says beyond its rows."""

from sequencer.events import AlarmChanged, TripLatched
from sequencer.model import Clamp, Means, RequestKind
from sequencer.model import CycleStep as C
from tests.core.bench import GAUGES, Bench, Person, recipe_of, safe
from tests.core.plant_fake import dead

# ---- the dwell ----------------------------------------------------------------------------------


def test_the_dwell_counts_only_in_band():
    bench = Bench().to(C.HOLDING)
    bench.run(1.0)
    low_Pa = bench.recipe.imprint.film_pressure_Pa - 1.5 * bench.rig.limits.film_band_Pa
    bench.plant.regulator_Pa = low_Pa
    bench.run(10.0)
    assert bench.last.step is C.HOLDING
    assert 1.0 <= bench.memory.in_band_ns / 1e9 < 1.3
    bench.plant.regulator_Pa = bench.recipe.imprint.film_pressure_Pa
    bench.until(C.COOLING, within_s=3.5)


def test_too_long_out_of_band_is_a_stop():
    bench = Bench().to(C.HOLDING)
    bench.plant.regulator_Pa -= 1.5 * bench.rig.limits.film_band_Pa
    bench.until(C.VENTING, within_s=bench.rig.limits.out_of_band_s + 5.0)
    assert "out_of_band" in bench.raised()
    assert bench.memory.trip is None


def test_a_pause_extends_the_dwell_up_to_its_cap():
    bench = Bench().to(C.HOLDING)
    assert bench.request(RequestKind.PAUSE).accepted
    assert not bench.request(RequestKind.PAUSE).accepted
    assert bench.core.status(bench.now_ns).paused
    bench.run(100.0)
    assert bench.last.step is C.HOLDING
    assert bench.request(RequestKind.RESUME).accepted
    assert not bench.request(RequestKind.RESUME).accepted
    bench.request(RequestKind.PAUSE)
    bench.until(C.COOLING, within_s=bench.rig.limits.pause_s - 100.0 + 5.0)
    assert not bench.core.status(bench.now_ns).paused
    assert not bench.request(RequestKind.PAUSE).accepted


def test_a_pause_ends_with_its_step():
    bench = Bench().to(C.HOLDING)
    bench.request(RequestKind.PAUSE)
    bench.request(RequestKind.STOP)
    assert bench.last.step is C.VENTING
    assert not bench.core.status(bench.now_ns).paused


def test_a_gauge_read_out_of_band_stops_the_count_until_it_is_read_in_band():
    bench = Bench(GAUGES, recipe_of(film_pressure="120 psi", hold="90 s"))
    bench.to(C.HOLDING)
    low_Pa = bench.recipe.imprint.film_pressure_Pa - 2.0 * bench.rig.limits.film_band_Pa
    bench.person.says["still_at_pressure"] = low_Pa
    bench.until(C.HOLDING).run(62.0)
    counted_ns = bench.memory.in_band_ns
    bench.person.silent.add("still_at_pressure")
    bench.run(30.0)  # asked again, not yet answered: the last reading holds
    assert bench.memory.in_band_ns == counted_ns
    bench.person.silent.clear()
    bench.person.says.clear()
    bench.until(C.COOLING, within_s=60.0)


def test_time_out_of_band_is_capped_on_a_gauges_rig_too():
    bench = Bench(GAUGES, recipe_of(film_pressure="120 psi", hold="10 min")).to(C.HOLDING)
    low_Pa = bench.recipe.imprint.film_pressure_Pa - 2.0 * bench.rig.limits.film_band_Pa
    bench.person.says["still_at_pressure"] = low_Pa
    bench.until(C.VENTING, within_s=60.0 + bench.rig.limits.out_of_band_s + 10.0)
    assert "out_of_band" in bench.raised()


# ---- demold and release -------------------------------------------------------------------------


def test_a_cooled_stack_is_released_without_a_word():
    bench = Bench().started().until(C.IDLE)
    assert (C.RELEASING, "word") not in bench.stages()


def test_a_hot_stack_needs_a_word():
    bench = Bench(recipe=recipe_of(demold=None))
    bench.person.says["hot_release"] = "keep clamped"
    bench.to(C.HOLDING)
    hot = lambda raw: raw._replace(value=160.0)  # noqa: E731
    bench.plant.sensors = {"head_temperature": hot, "head_temperature_2": hot}
    bench.until("word")
    assert C.COOLING not in bench.steps()
    bench.run(100.0)
    assert bench.outputs.clamp is Clamp.APPLY
    bench.person.says.clear()
    bench.until(C.IDLE, within_s=60.0)


def test_a_head_of_unknown_temperature_needs_a_word():
    bench = Bench().to(C.VENTING).until("bled")
    bench.run(1.2)
    bench.memory.cooled = False
    bench.plant.sensors["head_temperature_2"] = lambda raw: raw._replace(value=raw.value + 11.0)
    bench.until("word", within_s=10.0)


# ---- start-up -----------------------------------------------------------------------------------


def test_start_up_never_resumes():
    bench = Bench()
    bench.plant.film_Pa = 0.0
    bench.run(5.0)
    assert bench.last.step is C.FAULTED
    assert bench.outputs.clamp is Clamp.LEAVE
    assert safe(bench.outputs)
    assert not bench.request(RequestKind.START, recipe=bench.recipe).accepted
    assert bench.person.answered == []


def test_start_up_needs_a_gauge_besides_the_sensors():
    bench = Bench().idle()
    assert [topic for topic, _, _ in bench.person.answered] == ["film_empty"]


def test_start_up_with_pressure_is_not_confirmed():
    bench = Bench()
    bench.plant.film_Pa = bench.plant.gap_Pa = 50e3
    bench.plant.vent_stuck_shut = True
    bench.run(0.3)
    assert bench.last.step is C.VENT_UNCONFIRMED
    assert bench.outputs.clamp is Clamp.LEAVE


def test_start_up_on_a_shut_clamp_leads_to_safe_clamped():
    bench = Bench()
    bench.plant.clamp_told, bench.plant.clamp_Pa = Clamp.APPLY, bench.plant.air_Pa
    bench.tick()
    bench.request(RequestKind.RESET)
    bench.until(C.SAFE_CLAMPED, within_s=20.0)
    assert bench.outputs.clamp is Clamp.LEAVE  # as found
    assert bench.request(RequestKind.RELEASE).accepted
    bench.until(C.IDLE, within_s=20.0)


def test_start_up_on_a_shut_clamp_of_a_gauges_rig():
    bench = Bench(GAUGES)
    bench.plant.clamp_told, bench.plant.clamp_Pa = Clamp.APPLY, bench.plant.air_Pa
    bench.tick()
    bench.request(RequestKind.RESET)
    bench.until(C.SAFE_CLAMPED, within_s=60.0)
    bench.request(RequestKind.RELEASE)
    bench.until(C.IDLE, within_s=60.0)


def test_a_blink_of_film_pressure_in_idle_is_proven_away_by_a_reset():
    bench = Bench().idle()
    bench.plant.sensors["film_pressure"] = lambda raw: raw._replace(value=4.3)
    bench.tick()
    bench.plant.sensors.clear()
    bench.run(1.0)
    assert bench.last.step is C.IDLE
    refused = bench.request(RequestKind.START, recipe=bench.recipe)
    assert any("proven bled" in reason for reason in refused.reasons)
    assert bench.request(RequestKind.RESET).accepted
    assert bench.last.step is C.FAULTED
    bench.until(C.IDLE)
    bench.started().until(C.IDLE)
    assert bench.of(AlarmChanged) == bench.of(TripLatched) == []


def test_a_bad_sensor_refuses_the_start_by_name():
    bench = Bench().idle()
    bench.plant.sensors["air_pressure"] = dead
    bench.tick()
    refused = bench.request(RequestKind.START, recipe=bench.recipe)
    assert any("air" in reason for reason in refused.reasons)
    assert bench.last.step is C.IDLE


def test_the_weakest_means_verifies_a_run():
    bench = Bench(GAUGES).started().until(C.IDLE)
    assert bench.memory.weakest is Means.OPERATOR
    assert Person().says == {}
