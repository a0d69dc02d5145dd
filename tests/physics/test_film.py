"""The film against a shooting solution of Hencky's membrane and an energy check of the strip."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from sequencer.physics import film

psi = 6894.757
temperatures = st.floats(15.0, 300.0)
pressures = st.floats(1e3, 3e6)
radii = st.floats(1e-4, 0.05)


def hencky(nu: float) -> tuple[float, float]:
    """Centre stress and deflection coefficients of a round membrane, clamped, by shooting.

    In units a = E = t = p = 1: equilibrium N w' = -r/2, compatibility
    r N'' + 3 N' + w'^2/(2 r) = 0, and no radial shift at r = 1: N' + (1 - nu) N = 0.
    Hencky, Z. Math. Phys. 63:311 (1915).
    """

    def solve(centre: float) -> tuple[float, float, float]:
        r0 = 1e-6

        def rates(r: float, y: np.ndarray) -> list[float]:
            slope = -r / (2.0 * y[0])
            return [y[1], -(3.0 * y[1] + slope * slope / (2.0 * r)) / r, slope]

        start = [centre, -r0 / (32.0 * centre * centre), 0.0]
        done = solve_ivp(rates, (r0, 1.0), start, rtol=1e-10, atol=1e-13)
        return done.y[0, -1], done.y[1, -1], -done.y[2, -1]

    def edge(centre: float) -> float:
        tension, slope, _ = solve(centre)
        return float(slope + (1.0 - nu) * tension)

    centre = brentq(edge, 0.35, 0.6, xtol=1e-12)
    return centre, solve(centre)[2]


def test_hencky_coefficients_by_shooting() -> None:
    stress, deflection = hencky(film.POISSON_RATIO)
    assert stress == pytest.approx(film.HENCKY_CENTRE_STRESS, rel=1e-5)
    assert deflection == pytest.approx(film.HENCKY_DEFLECTION, rel=1e-5)


@pytest.mark.parametrize(("nu", "b0"), [(0.2, 1.6827), (0.3, 1.7244), (0.4, 1.7769)])
def test_the_shooting_itself_against_published_coefficients(nu: float, b0: float) -> None:
    """b0 = 4 k of Fichter, NASA TP-3658 (1997); values from memory."""
    assert 4.0 * hencky(nu)[0] == pytest.approx(b0, abs=1e-4)


def test_strip_gap_by_geometry() -> None:
    """A long membrane under pressure is an arc: p = N/R, and its strain is that of the arc."""
    pressure, gap, thickness, T = 300 * psi, 0.5e-3, 50e-6, 160.0
    stiff = film.modulus_Pa(T) / (1 - film.POISSON_RATIO**2)

    def miss(stress: float) -> float:
        radius = stress * thickness / pressure
        arc = 2.0 * radius * math.asin(gap / (2.0 * radius))
        return stiff * (arc / gap - 1.0) - stress

    exact = brentq(miss, 1.001 * pressure * gap / (2.0 * thickness), 200e6)
    assert film.gap_stress_Pa(pressure, gap, thickness, T) == pytest.approx(exact, rel=0.02)


@given(pressure=pressures, radius=radii, T=temperatures, more=st.floats(1.01, 4.0))
def test_margins_fall_with_pressure_span_and_heat(
    pressure: float, radius: float, T: float, more: float
) -> None:
    margin = film.window_margin(pressure, radius, 50e-6, T)
    assert film.window_margin(pressure * more, radius, 50e-6, T) < margin
    assert film.window_margin(pressure, radius * more, 50e-6, T) < margin
    assert film.window_margin(pressure, radius, 50e-6 * more, T) > margin
    assert film.window_margin(pressure, radius, 50e-6, T + 10.0) < margin
    gap = film.gap_margin(pressure, radius, 50e-6, T)
    assert film.gap_margin(pressure * more, radius, 50e-6, T) < gap
    assert film.gap_margin(pressure, radius, 50e-6, T + 10.0) < gap


@given(pressure=pressures, T=temperatures, margin=st.floats(1.0, 5.0))
def test_largest_radius_has_just_that_stress(pressure: float, T: float, margin: float) -> None:
    radius = film.largest_free_radius_m(margin, pressure, 50e-6, T)
    stress = film.window_stress_Pa(pressure, radius, 50e-6, T)
    assert film.strength_Pa(T) / stress == pytest.approx(margin, rel=1e-9)


def test_why_pressure_before_clamping_bursts_the_film() -> None:
    """60 to 300 psi is common practice, no source. 50 um film, 25 mm window, warm head."""
    held = film.gap_margin(300 * psi, 0.5e-3, 50e-6, 160.0)
    free = film.window_margin(60 * psi, 0.025, 50e-6, 160.0)
    assert held > 3.0
    assert free < 1.0


def test_no_pressure_no_stress() -> None:
    assert film.window_stress_Pa(0.0, 0.025, 50e-6, 20.0) == 0.0
    assert film.gap_stress_Pa(-1e3, 5e-4, 50e-6, 20.0) == 0.0
    assert film.window_margin(0.0, 0.025, 50e-6, 20.0) == math.inf
    assert film.gap_margin(0.0, 5e-4, 50e-6, 20.0) == math.inf


def test_the_property_lines_never_turn_negative() -> None:
    assert film.modulus_Pa(5000.0) > 0.0
    assert film.strength_Pa(5000.0) > 0.0
