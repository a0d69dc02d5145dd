"""Valve flow, filling and venting against fluids and scipy."""

import math

import pytest
from fluids.compressible import P_critical_flow, is_critical_flow
from fluids.safety_valve import API520_A_g
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from sequencer.physics import flow

psi = 6894.757
ROOM = 101325.0
HIGH = 300 * psi + ROOM
C = 0.5e-8
V = 0.2e-3
ratios = st.floats(0.0, 1.0)
criticals = st.floats(0.1, 0.528)


def test_critical_ratio_of_a_nozzle_is_where_the_ellipse_chokes() -> None:
    """Against fluids: an ideal nozzle of air is the ISO law with b = 0.528, to 0.2 %."""
    b = P_critical_flow(1.0, 1.4)
    assert b == pytest.approx(0.5282818, rel=1e-6)
    for ratio in (0.1, 0.4, 0.5, 0.53, 0.6, 0.7, 0.8, 0.9, 0.95):
        r = max(ratio, b)
        isentrope = math.sqrt(2 * 1.4 / 0.4 * (r ** (2 / 1.4) - r ** (2.4 / 1.4))) / 0.6847315
        assert flow.flow_function(ratio, b) == pytest.approx(isentrope, abs=0.002)
        assert (flow.flow_function(ratio, b) == 1.0) == bool(is_critical_flow(1.0, ratio, 1.4))


@pytest.mark.parametrize("gauge_psi", [60.0, 300.0])
def test_choked_nitrogen_through_a_hole(gauge_psi: float) -> None:
    """Against fluids (API 520 gas sizing, ideal gas). 0.4 %: ISO 6358's air is humid, 1.185."""
    up = gauge_psi * psi + ROOM
    area = 0.25 * math.pi * 1e-6
    C_hole = flow.orifice_conductance_m3_per_s_Pa(area, 1.0)
    mass = flow.nitrogen_mass_flow_kg_per_s(C_hole, 0.528, up, ROOM, 20.0)
    needed = API520_A_g(
        m=mass, T=293.15, Z=1.0, MW=28.0134, k=1.4, P1=up, P2=ROOM, Kd=1.0, Kb=1.0, Kc=1.0
    )
    assert needed == pytest.approx(area, rel=4e-3)


@given(ratio=ratios, b=criticals)
def test_slope_is_the_derivative(ratio: float, b: float) -> None:
    knees = (b, flow.LAMINAR_RATIO, 1.0)
    step = 1e-7
    if ratio < step or any(abs(ratio - knee) < 1e-4 for knee in knees):
        return
    up = flow.flow_function(ratio + step, b)
    down = flow.flow_function(ratio - step, b)
    slope = flow.flow_function_slope(ratio, b)
    assert slope == pytest.approx((up - down) / (2 * step), rel=1e-4, abs=1e-5)


@given(first=ratios, second=ratios, b=criticals)
def test_flow_falls_as_the_downstream_pressure_rises(first: float, second: float, b: float) -> None:
    low, high = sorted((first, second))
    assert 0.0 <= flow.flow_function(high, b) <= flow.flow_function(low, b) <= 1.0


def rate_Pa_per_s(up: float, down: float, volume_m3: float) -> float:
    """Isothermal air, with the reference density that closes p0 = rho0 R T0."""
    share = flow.flow_function(down / up, 0.3)
    return flow.REFERENCE_Pa * C * up * share / volume_m3


@pytest.mark.parametrize("share", [0.2, 0.3, 0.6, 0.95, 0.998])
def test_fill_time_against_an_ode_solver(share: float) -> None:
    def reached(t: float, y: list[float]) -> float:
        return y[0] - share * HIGH

    reached.terminal = True  # type: ignore[attr-defined]
    done = solve_ivp(
        lambda t, y: [rate_Pa_per_s(HIGH, y[0], V)],
        (0.0, 2.0),
        [ROOM],
        events=reached,
        rtol=1e-10,
        atol=1e-3,
        max_step=0.005,
    )
    stated = flow.fill_time_s(V, C, 0.3, HIGH, ROOM, share * HIGH, 1.0)
    assert stated == pytest.approx(done.t_events[0][0], rel=1e-5)


@pytest.mark.parametrize("gauge_psi", [200.0, 40.0, 5.0, 1.0])
def test_vent_time_against_an_ode_solver(gauge_psi: float) -> None:
    target = gauge_psi * psi + ROOM

    def reached(t: float, y: list[float]) -> float:
        return y[0] - target

    reached.terminal = True  # type: ignore[attr-defined]
    done = solve_ivp(
        lambda t, y: [-rate_Pa_per_s(y[0], ROOM, V)],
        (0.0, 4.0),
        [HIGH],
        events=reached,
        rtol=1e-10,
        atol=1e-3,
        max_step=0.01,
    )
    stated = flow.vent_time_s(V, C, 0.3, HIGH, target, ROOM, 1.0)
    assert stated == pytest.approx(done.t_events[0][0], rel=1e-5)


@given(b=st.floats(0.05, 0.6), start=st.floats(1.05, 30.0), left=st.floats(0.001, 0.95))
def test_vent_time_against_quadrature(b: float, start: float, left: float) -> None:
    target = 1.0 + left * (start - 1.0)

    def slowness(pressure: float) -> float:
        ratio = 1.0 / pressure
        s = max(0.0, (ratio - b) / (1.0 - b))
        return 1.0 / (pressure * math.sqrt(1.0 - s * s))

    knee = [1.0 / b] if target < 1.0 / b < start else None
    wanted, _ = quad(slowness, target, start, points=knee, epsabs=0, epsrel=1e-10, limit=200)
    stated = flow.vent_time_s(1.0, 1e-5, b, start, target, 1.0, 1.0)
    assert stated == pytest.approx(wanted, rel=1e-6)


def test_nitrogen_fills_faster_by_the_root_of_the_gas_constants() -> None:
    air = flow.fill_time_s(V, C, 0.3, HIGH, ROOM, 0.9 * HIGH, 1.0)
    nitrogen = flow.fill_time_s(V, C, 0.3, HIGH, ROOM, 0.9 * HIGH, flow.NITROGEN_VOLUME_FACTOR)
    assert air / nitrogen == pytest.approx(math.sqrt(296.803 / 287.055), rel=1e-6)


def test_what_cannot_happen_takes_for_ever() -> None:
    assert flow.fill_time_s(V, C, 0.3, HIGH, ROOM, 1.01 * HIGH, 1.0) == math.inf
    assert flow.fill_time_s(V, 0.0, 0.3, HIGH, ROOM, 0.5 * HIGH, 1.0) == math.inf
    assert flow.vent_time_s(V, C, 0.3, HIGH, 0.9 * ROOM, ROOM, 1.0) == math.inf
    assert flow.fill_time_s(V, C, 0.3, HIGH, HIGH, ROOM, 1.0) == 0.0


def test_two_equal_valves_in_a_row_against_their_common_pressure() -> None:
    """ISO 6358-3 first guess against the pressure between the valves found by root search."""
    one = flow.series_conductance(C, C)

    def surplus(middle: float) -> float:
        first = flow.air_mass_flow_kg_per_s(C, 0.3, HIGH, middle, 20.0)
        return first - flow.air_mass_flow_kg_per_s(C, 0.3, middle, ROOM, 20.0)

    middle = brentq(surplus, ROOM * 1.001, HIGH * 0.9999)
    exact = flow.air_mass_flow_kg_per_s(C, 0.3, middle, ROOM, 20.0)
    guess = flow.air_mass_flow_kg_per_s(one, 0.3, HIGH, ROOM, 20.0)
    assert guess == pytest.approx(exact, rel=0.25)
    assert flow.series_conductance(C, 0.0) == 0.0
    assert flow.parallel_conductance(C, C) == 2 * C
