"""What the plant must do in the situations that matter: times, dips, bursts, leaks, bleeding."""

import math

import pytest

from sequencer.physics import film
from simulator.defaults import resting_state
from simulator.nitrogen_line import (
    bottle_abs_Pa,
    nitrogen_flows,
    nitrogen_in_lines_kg,
    nitrogen_step,
)
from simulator.plant import Actuation, PlantParams, PlantState, advance

from .conftest import PRESS, Carry, psi

OPEN_CLAMP = PRESS._replace(clamp_apply=0.0, heater_enable=0.0)
VENT = PRESS._replace(vent=1.0, isolation=0.0, supply=0.0)


def until(
    rig: PlantParams, state: PlantState, actuation: Actuation, name: str, level: float
) -> float:
    """Seconds until a field passes a level, in ticks of 20 ms, at most 100 s."""
    before = getattr(state, name) < level
    for tick in range(5000):
        if (getattr(state, name) < level) != before:
            return tick * 0.02
        state = advance(state, rig, actuation, 0.02)
    return math.inf


def test_times_of_a_bench_rig(
    rig: PlantParams, cold: PlantState, clamped: PlantState, pressed: PlantState
) -> None:
    """What such a rig takes: common practice, no source."""
    assert 0.3 < until(rig, cold, Actuation(clamp_apply=1.0), "cylinder_Pa", 0.98 * 90 * psi) < 2
    assert 0.3 < until(rig, clamped, PRESS, "film_Pa", 0.98 * 300 * psi) < 3.0
    assert 0.5 < until(rig, pressed, VENT, "film_Pa", 1 * psi) < 3.0
    assert 0.5 < until(rig, clamped, Actuation(), "piston_m", 1e-6) < 5.0


def test_heat_up_overshoot_and_the_dip_of_a_cold_stack(rig: PlantParams, cold: PlantState) -> None:
    heat = Actuation(heater_enable=1.0, heater_setpoint_degC=160.0)
    state, minutes = cold, 0.0
    while state.head_degC < 159.0:
        state = advance(state, rig, heat, 0.2)
        minutes += 0.2 / 60
    assert 9.0 < minutes < 16.0
    for _ in range(3000):
        state = advance(state, rig, heat, 0.2)
    assert state.head_degC == pytest.approx(160.0, abs=0.2)
    assert state.head_peak_degC < 163.0
    assert state.foil_degC < 100.0
    lowest = 160.0
    for _ in range(1500):
        state = advance(state, rig, heat._replace(clamp_apply=1.0), 0.02)
        lowest = min(lowest, state.head_degC)
    assert 1.0 < 160.0 - lowest < 15.0
    assert state.foil_degC > 155.0
    cooling = heat._replace(heater_enable=0.0, coolant=1.0, clamp_apply=1.0)
    seconds = 0.0
    while state.head_degC > 80.0:
        state = advance(state, rig, cooling, 0.2)
        seconds += 0.2
    assert 50.0 < seconds < 400.0


def test_a_fall_of_the_set_point_undershoots_little(rig: PlantParams, cold: PlantState) -> None:
    state = cold._replace(block_degC=165.0, head_degC=165.0, controller_percent=60.0)
    heat = Actuation(heater_enable=1.0, heater_setpoint_degC=150.0)
    lowest = 165.0
    for _ in range(5000):
        state = advance(state, rig, heat, 0.2)
        lowest = min(lowest, state.head_degC)
    assert state.head_degC == pytest.approx(150.0, abs=0.2)
    assert lowest > 147.0


def test_pressure_on_an_open_clamp_bursts_the_film(
    rig: PlantParams, cold: PlantState, carry: Carry
) -> None:
    ready = carry(cold, Actuation(regulator_set_Pa=150 * psi), 2.0)
    burst = carry(ready, OPEN_CLAMP._replace(regulator_set_Pa=150 * psi), 2.0)
    assert burst.film_intact == 0.0
    bound = film.burst_bound_Pa(rig.film_window_radius_m, rig.film_thickness_m, 23.0)
    assert burst.film_peak_Pa < 1.1 * bound
    assert burst.film_Pa < 0.2 * burst.film_peak_Pa
    assert burst.dose == 0.0


def test_pressure_before_the_clamp_is_home_bursts_the_film(
    clamped: PlantState, carry: Carry
) -> None:
    """Something as thick as 5 mm lies in the clamp, which the pressure sensor cannot tell."""
    blocked = PRESS._replace(piston_stop_m=0.045)
    jammed = carry(carry(clamped, Actuation(regulator_set_Pa=300 * psi), 5.0), blocked, 3.0)
    assert jammed.cylinder_Pa > 85 * psi
    assert jammed.film_intact == 0.0


def test_losing_the_air_under_pressure_bursts_the_film(pressed: PlantState, carry: Carry) -> None:
    lost = PRESS._replace(house_air=0.0, clamp_leak_conductance=1e-8)
    assert carry(pressed, lost, 2.0).film_intact == 0.0


def test_the_same_pressure_on_a_full_clamp_is_held(pressed: PlantState, carry: Carry) -> None:
    held = carry(pressed, PRESS, 30.0)
    assert held.film_intact == 1.0
    assert held.film_Pa == pytest.approx(300 * psi, rel=0.01)
    assert held.fill_fraction == 1.0


def test_trapped_gas_limits_the_fill(rig: PlantParams, pressed: PlantState) -> None:
    """Boyle: at 300 psi a sealed cavity fills to 0.953."""
    sealed = rig._replace(pattern_sealed=1.0)
    state = pressed._replace(dose=0.0, fill_fraction=0.0)
    for _ in range(60):
        state = advance(state, sealed, PRESS, 0.5)
    assert state.fill_fraction == pytest.approx(0.9533, abs=0.001)


def test_a_cold_foil_takes_no_dose(clamped: PlantState, carry: Carry) -> None:
    cold_press = PRESS._replace(heater_enable=0.0)
    assert carry(clamped, cold_press, 10.0).dose == 0.0


def test_regulator_droop_lock_up_and_creep(
    rig: PlantParams, cold: PlantState, carry: Carry
) -> None:
    set_60 = Actuation(regulator_set_Pa=60 * psi)
    ready = carry(cold, set_60, 3.0)
    assert ready.outlet_Pa == pytest.approx(60 * psi, rel=0.01)
    through = set_60._replace(isolation=1.0, supply=1.0)
    flowing = carry(ready, through, 3.0)
    second_later = carry(flowing, through, 1.0)
    grams_per_s = 1e3 * (second_later.gas_used_kg - flowing.gas_used_kg)
    droop_psi = (ready.outlet_Pa - flowing.outlet_Pa) / psi
    assert droop_psi == pytest.approx(2.0 * grams_per_s, rel=0.05)
    creeping = carry(ready, set_60._replace(regulator_creep_conductance=1e-14), 30.0)
    assert creeping.outlet_Pa > 62 * psi
    lowered = carry(ready, set_60._replace(regulator_set_Pa=0.0), 5.0)
    assert lowered.outlet_Pa == pytest.approx(ready.outlet_Pa, rel=1e-3)


def test_outlet_rises_as_the_bottle_falls(rig: PlantParams, carry: Carry) -> None:
    """Supply effect 1 % of a single-stage regulator (value from memory)."""
    set_60 = Actuation(regulator_set_Pa=60 * psi)
    full = carry(resting_state(rig, 2200 * psi, 90 * psi), set_60, 3.0)
    low = carry(resting_state(rig, 700 * psi, 90 * psi), set_60, 3.0)
    assert (low.outlet_Pa - full.outlet_Pa) / psi == pytest.approx(15.0, rel=0.02)


def test_a_nearly_empty_bottle_cannot_give_the_pressure(rig: PlantParams, carry: Carry) -> None:
    state = carry(resting_state(rig, 200 * psi, 90 * psi), PRESS, 5.0)
    assert state.film_Pa < 200 * psi - 0.9e5


def test_both_lines_bleed_by_strokes(pressed: PlantState, carry: Carry) -> None:
    """Bottle shut, regulator open: strokes empty both sides of the regulator, then the air."""
    shut = VENT._replace(bottle_valve=0.0, heater_enable=0.0)
    state = pressed
    strokes = 0
    while state.inlet_Pa > 10 * psi and strokes < 40:
        state = carry(state, shut._replace(vent=0.0, isolation=1.0, supply=1.0), 1.0)
        state = carry(state, shut._replace(isolation=1.0, supply=1.0), 1.0)
        state = carry(state, shut, 1.5)
        strokes += 1
    assert 2 <= strokes < 20
    assert state.outlet_Pa < 20 * psi
    assert state.film_Pa < 1 * psi
    shut = shut._replace(house_air=0.0)
    before = state.air_line_Pa
    for _ in range(6):
        state = carry(state, shut._replace(clamp_apply=0.0), 3.0)
        state = carry(state, shut, 2.0)
    assert state.air_line_Pa < 0.05 * before
    assert state.piston_m < 0.04


def test_valve_seats_leak_into_gap_and_film(clamped: PlantState, carry: Carry) -> None:
    shut = Actuation(regulator_set_Pa=300 * psi, clamp_apply=1.0, vent=0.0)
    gap = carry(clamped, shut._replace(isolation_leak_conductance=1e-12), 10.0)
    assert gap.gap_Pa > 10 * psi
    assert gap.film_Pa < 0.1 * psi
    both = shut._replace(isolation_leak_conductance=1e-12, supply_leak_conductance=1e-11)
    assert carry(clamped, both, 20.0).film_Pa > 1 * psi


def test_a_blocked_vent_is_slow(rig: PlantParams, pressed: PlantState) -> None:
    free = until(rig, pressed, VENT, "film_Pa", 5 * psi)
    slow = until(rig, pressed, VENT._replace(vent_blocked=0.8), "film_Pa", 5 * psi)
    assert slow == pytest.approx(5 * free, rel=0.1)


def test_stuck_heater_broken_heater_and_a_lying_sensor(rig: PlantParams, cold: PlantState) -> None:
    def after(actuation: Actuation) -> PlantState:
        state = cold
        for _ in range(1200):
            state = advance(state, rig, actuation, 1.0)
        return state

    on = Actuation(heater_enable=1.0, heater_setpoint_degC=100.0)
    assert after(on).head_degC == pytest.approx(100.0, abs=0.5)
    assert after(on._replace(heater_broken=1.0)).head_degC < 24.0
    assert after(on._replace(heater_stuck=1.0)).head_degC > 150.0
    assert after(on._replace(head_sensor_offset_K=-20.0)).head_degC == pytest.approx(120, abs=0.5)


def test_a_hot_head_warms_sealed_film_gas_when_the_rig_models_it(
    rig: PlantParams, pressed: PlantState
) -> None:
    """Gay-Lussac: pressure follows the absolute temperature of a sealed volume."""
    warm = rig._replace(film_gas_heating=0.5)
    sealed = PRESS._replace(
        isolation=0.0, supply=0.0, film_leak_conductance=0.0, regulator_set_Pa=0.0
    )
    # Little gas, so that the pressure stays where the seal holds.
    state = pressed._replace(film_Pa=50 * psi)
    for _ in range(600):
        state = advance(state, warm, sealed, 0.05)
    kelvin = state.film_gas_degC + 273.15
    assert state.film_gas_degC == pytest.approx(20 + 0.5 * (state.head_degC - 20), abs=0.5)
    ratio = (state.film_Pa + rig.room_abs_Pa) / (50 * psi + rig.room_abs_Pa)
    assert ratio == pytest.approx(kelvin / 293.15, rel=1e-6)


def test_nitrogen_is_conserved_over_a_whole_cycle(
    rig: PlantParams, cold: PlantState, carry: Carry
) -> None:
    def total(state: PlantState) -> float:
        lines = nitrogen_in_lines_kg(state, rig)
        return state.bottle_kg + lines + state.vented_kg + state.leaked_kg

    state = cold
    for actuation, seconds in (
        (PRESS._replace(vent=1.0, supply=0.0), 3.0),
        (PRESS, 5.0),
        (VENT, 3.0),
    ):
        state = carry(state, actuation, seconds)
        assert total(state) == pytest.approx(total(cold), abs=1e-9)
    assert state.gas_used_kg == pytest.approx(cold.bottle_kg - state.bottle_kg, abs=1e-9)
    assert state.vented_kg == pytest.approx(4.8e-3, rel=0.05)


def test_same_inputs_same_bytes(clamped: PlantState, carry: Carry) -> None:
    first = carry(clamped, PRESS, 2.0)
    second = carry(clamped, PRESS, 2.0)
    assert [value.hex() for value in first] == [value.hex() for value in second]


def test_a_hot_film_bursts_by_its_strength_below_the_hemisphere_bound(
    rig: PlantParams, cold: PlantState, carry: Carry
) -> None:
    hot = cold._replace(block_degC=160.0, head_degC=160.0)
    ready = carry(hot, Actuation(regulator_set_Pa=60 * psi), 2.0)
    burst = carry(ready, OPEN_CLAMP._replace(regulator_set_Pa=60 * psi), 2.0)
    assert burst.film_intact == 0.0
    assert burst.film_peak_Pa < 0.7 * film.burst_bound_Pa(0.025, 50e-6, 160.0)
    assert burst.film_stress_peak_Pa == pytest.approx(film.strength_Pa(160.0), rel=0.05)


def test_a_regulator_at_capacity_stops_at_its_set_pressure(cold: PlantState, carry: Carry) -> None:
    """Refilling an empty outlet must not shoot past: nothing downstream could relieve it."""
    tense = cold._replace(regulator_spring_Pa=300 * psi)
    assert carry(tense, Actuation(regulator_set_Pa=300 * psi), 1.0).outlet_Pa == pytest.approx(
        300 * psi, rel=2e-3
    )


@pytest.mark.parametrize("step_s", [0.001, 0.02, 0.2])
def test_no_step_carries_pressures_past_each_other(
    rig: PlantParams, pressed: PlantState, step_s: float
) -> None:
    """A few millilitres at 300 psi let into an empty vessel end no lower than it, in one step."""
    trapped = pressed._replace(film_Pa=0.0, gap_Pa=300 * psi)
    opened = PRESS._replace(isolation=0.0)
    bottle = bottle_abs_Pa(trapped.bottle_kg, rig)
    flows = nitrogen_flows(trapped, rig, opened, bottle, 0.0)
    done = nitrogen_step(flows, trapped, rig, bottle, trapped.regulator_spring_Pa, step_s)
    assert trapped.gap_Pa + done.gap_Pa >= trapped.film_Pa + done.film_Pa - 1e-6
    assert done.film_Pa > 0.0
