"""The plant's own stepping against LSODA on the same right-hand side, rtol 1e-9.

The stepping is what is tested here; the right-hand side is tested by the closed forms and
scenarios next door.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sequencer.physics import flow, thermal
from simulator.plant import Actuation, PlantParams, PlantState, advance, derivatives

from .conftest import PRESS, Carry, psi

ATOL = PlantState(
    bottle_kg=1e-10,
    inlet_Pa=1e-2,
    regulator_spring_Pa=1e-2,
    outlet_Pa=1e-2,
    gap_Pa=1e-2,
    film_Pa=1e-2,
    film_gas_degC=1e-7,
    air_line_Pa=1e-2,
    cylinder_Pa=1e-2,
    piston_m=1e-10,
    element_W=1e-5,
    block_degC=1e-7,
    head_degC=1e-7,
    foil_degC=1e-7,
    controller_percent=1e-7,
    followed_setpoint_degC=1e-7,
    dose=1e-9,
    fill_fraction=1.0,
    film_intact=1.0,
    gas_used_kg=1e-10,
    vented_kg=1e-10,
    leaked_kg=1e-10,
    film_peak_Pa=1.0,
    film_stress_peak_Pa=1.0,
    head_peak_degC=1.0,
)
# Largest difference allowed at any of the times, in each field's own unit.
ALLOWED = {
    "bottle_kg": 2e-5,
    "outlet_Pa": 6e3,
    "gap_Pa": 6e3,
    "film_Pa": 6e3,
    "air_line_Pa": 2e3,
    "cylinder_Pa": 2e3,
    "piston_m": 3e-4,
    "block_degC": 0.02,
    "head_degC": 0.02,
    "foil_degC": 0.02,
    "dose": 0.02,
    "gas_used_kg": 2e-5,
    "vented_kg": 1e-6,
    "leaked_kg": 1e-8,
}


def compare(
    rig: PlantParams,
    state: PlantState,
    actuation: Actuation,
    times_s: list[float],
    tick_s: float = 0.02,
) -> None:
    exact = solve_ivp(
        lambda _, y: np.array(derivatives(PlantState(*y), rig, actuation)),
        (0.0, times_s[-1]),
        np.array(state),
        method="LSODA",
        t_eval=times_s,
        rtol=1e-9,
        atol=np.array(ATOL),
    )
    assert exact.success
    now_s = 0.0
    for k, time_s in enumerate(times_s):
        while now_s < time_s - 1e-9:
            step_s = min(tick_s, time_s - now_s)
            state = advance(state, rig, actuation, step_s)
            now_s += step_s
        wanted = PlantState(*exact.y[:, k])
        for name, allowed in ALLOWED.items():
            got, want = getattr(state, name), getattr(wanted, name)
            assert got == pytest.approx(want, abs=allowed), (name, time_s)


def test_regulator_raised(rig: PlantParams, cold: PlantState) -> None:
    compare(rig, cold, Actuation(regulator_set_Pa=300 * psi), [0.02, 0.05, 0.1, 0.3, 1.0, 2.0])


def test_clamp_fills_and_closes(rig: PlantParams, cold: PlantState) -> None:
    compare(rig, cold, Actuation(clamp_apply=1.0), [0.05, 0.1, 0.15, 0.3, 0.5, 1.0])


def test_film_fills(rig: PlantParams, clamped: PlantState) -> None:
    press = PRESS._replace(heater_enable=0.0)
    compare(rig, clamped, press, [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0, 2.0])


def test_film_vents(rig: PlantParams, pressed: PlantState) -> None:
    vent = PRESS._replace(vent=1.0, isolation=0.0, supply=0.0)
    compare(rig, pressed, vent, [0.1, 0.2, 0.4, 0.8, 1.2, 1.6, 2.0])


def test_trapped_gap_drains(rig: PlantParams, pressed: PlantState, carry: Carry) -> None:
    vent = PRESS._replace(vent=1.0, isolation=0.0, supply=0.0)
    vented = carry(pressed, vent, 2.0)
    assert vented.gap_Pa > 290 * psi
    compare(rig, vented, vent._replace(supply=1.0), [0.01, 0.02, 0.05, 0.1, 0.3])


def test_clamp_releases(rig: PlantParams, clamped: PlantState) -> None:
    compare(rig, clamped, Actuation(regulator_set_Pa=300 * psi), [0.1, 0.3, 0.6, 1.0, 2.0])


def test_dose_while_holding(rig: PlantParams, pressed: PlantState) -> None:
    compare(rig, pressed, PRESS, [1.0, 5.0, 20.0])


def test_heat_up(rig: PlantParams, cold: PlantState) -> None:
    heat = Actuation(heater_enable=1.0, heater_setpoint_degC=100.0)
    compare(rig, cold, heat, [50.0, 200.0, 500.0, 900.0], tick_s=0.2)


def test_fill_of_the_film_vessel_against_the_closed_form(
    rig: PlantParams, cold: PlantState
) -> None:
    """Constant supply, no gap in the way: the film must follow the quarter sine of ISO 6358."""
    stiff = rig._replace(
        inlet_m3=1.0, outlet_m3=1.0, gap_m3=0.1, isolation_conductance=1e-4, bottle_conductance=0.0
    )
    high = 300 * psi
    full = cold._replace(outlet_Pa=high, gap_Pa=high, piston_m=rig.cylinder_stroke_m)
    full = full._replace(cylinder_Pa=90 * psi)
    press = PRESS._replace(film_leak_conductance=0.0, heater_enable=0.0)
    room = rig.room_abs_Pa
    for share in (0.2, 0.5, 0.9):
        target = room + share * high
        stated = flow.fill_time_s(
            rig.film_m3,
            rig.supply_conductance,
            rig.critical_ratio,
            high + room,
            room,
            target,
            flow.NITROGEN_VOLUME_FACTOR,
        )
        done = advance(full, stiff, press, stated)
        # 0.3 % between the two conventions of the reference density, and the supply's own fall.
        assert done.film_Pa + room == pytest.approx(target, rel=0.01)


def test_vent_of_the_film_vessel_against_the_closed_form(
    rig: PlantParams, pressed: PlantState
) -> None:
    room = rig.room_abs_Pa
    vent = PRESS._replace(vent=1.0, isolation=0.0, supply=0.0)
    for target_psi in (100.0, 20.0, 5.0, 1.0):
        stated = flow.vent_time_s(
            rig.film_m3,
            rig.vent_conductance,
            rig.critical_ratio,
            pressed.film_Pa + room,
            target_psi * psi + room,
            room,
            flow.NITROGEN_VOLUME_FACTOR,
        )
        done = advance(pressed, rig, vent, stated)
        assert done.film_Pa + room == pytest.approx(target_psi * psi + room, rel=0.01)


def test_heat_up_against_the_lumped_closed_form(rig: PlantParams, cold: PlantState) -> None:
    """Two nodes and a lag come later than one lump by about their lags, not by more."""
    capacity = rig.block_J_per_K + rig.head_J_per_K
    lump_s = thermal.heat_up_s(
        rig.ambient_degC, 140.0, rig.ambient_degC, rig.heater_W, rig.loss_W_per_K, capacity
    )
    heat = Actuation(heater_enable=1.0, heater_setpoint_degC=200.0)
    state, now_s = cold, 0.0
    while state.head_degC < 140.0:
        state = advance(state, rig, heat, 0.2)
        now_s += 0.2
    assert lump_s < now_s < lump_s + 30.0
