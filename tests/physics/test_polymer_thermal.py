"""Melt and heat formulas against scipy and as properties."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.special import erfc

from sequencer.physics import polymer, thermal

ACRYLIC = (105.0, 105.0, 7.82e12, 13.81, 51.6)
SHAPES = [
    (polymer.SLOT_ENTRY, polymer.SLOT_WALL),
    (polymer.HOLE_ENTRY, polymer.HOLE_WALL),
]


def test_nothing_flows_near_the_glass_transition() -> None:
    assert polymer.viscosity_Pa_s(109.9, *ACRYLIC) == math.inf
    assert polymer.viscosity_Pa_s(110.1, *ACRYLIC) < math.inf


@given(foil=st.floats(111.0, 220.0), warmer=st.floats(0.1, 30.0))
def test_viscosity_falls_with_temperature_across_both_branches(foil: float, warmer: float) -> None:
    cooler = polymer.viscosity_Pa_s(foil, *ACRYLIC)
    assert polymer.viscosity_Pa_s(foil + warmer, *ACRYLIC) < cooler


def test_the_two_branches_meet() -> None:
    below = polymer.viscosity_Pa_s(130.0 - 1e-9, *ACRYLIC)
    assert below == pytest.approx(polymer.viscosity_Pa_s(130.0, *ACRYLIC), rel=1e-8)


def test_the_lower_branch_has_the_universal_shape() -> None:
    """Williams, Landel, Ferry 1955: 2.831 and 4.872 decades at Tg + 10 and Tg + 20 K."""
    ten = polymer.viscosity_Pa_s(115.0, *ACRYLIC)
    twenty = polymer.viscosity_Pa_s(125.0, *ACRYLIC)
    assert math.log10(ten / twenty) == pytest.approx(4.871508 - 2.831169, abs=1e-5)


@pytest.mark.parametrize(("entry", "wall"), SHAPES)
def test_dose_law_against_an_ode_solver(entry: float, wall: float) -> None:
    """d(z/w)/dD = 1/(entry + 2 wall z/w): entry drag in series with Poiseuille drag."""
    done = solve_ivp(
        lambda _, z: 1.0 / (entry + 2.0 * wall * z), (0.0, 80.0), [0.0], rtol=1e-10, atol=1e-12
    )
    assert polymer.depth_ratio(80.0, entry, wall) == pytest.approx(done.y[0, -1], rel=1e-8)


@given(depth=st.floats(1e-3, 20.0))
def test_dose_is_the_inverse_of_depth(depth: float) -> None:
    for entry, wall in SHAPES:
        dose = polymer.dose_for_depth(depth, entry, wall)
        assert polymer.depth_ratio(dose, entry, wall) == pytest.approx(depth, rel=1e-9)


def test_stefan_line_against_an_ode_solver() -> None:
    eta, width, pressure = 3e3, 5e-6, 1e6
    time = polymer.stefan_line_s(eta, width, pressure, 340e-9, 50e-9)
    done = solve_ivp(
        lambda _, h: -pressure * h**3 / (eta * width**2),
        (0.0, time),
        [340e-9],
        rtol=1e-9,
        atol=1e-14,
    )
    assert done.y[0, -1] == pytest.approx(50e-9, rel=1e-5)


def test_edges_of_the_filling_formulas() -> None:
    assert polymer.trapped_gas_fill(1e5, 1e5) == 0.0
    assert polymer.driving_Pa(1e5, 0.5, 1e4, 0.0) == pytest.approx(2.1e5)
    assert polymer.driving_Pa(1e5, 1.0, 0.0, 3e5) == 0.0
    assert polymer.fill_time_s(0.0, 1e6, 1.0, *SHAPES[0]) == math.inf
    assert polymer.springback_share(0.2, 30.0, math.inf) == 0.2
    assert polymer.springback_share(0.2, 30.0, 10.0) == pytest.approx(0.2 * math.exp(-3))
    hole = polymer.capillary_hole_Pa(0.03, 30.0, 1e-7)
    assert hole == pytest.approx(2.0 * polymer.capillary_slot_Pa(0.03, 30.0, 1e-7))


def test_slab_series_against_the_method_of_lines() -> None:
    """A slab cut into 100 cells, its linear equations carried by the exact matrix exponential."""
    n = 100
    laplace = np.diag(np.full(n - 2, 1.0), 1) + np.diag(np.full(n - 2, 1.0), -1)
    laplace -= 2.0 * np.eye(n - 1)
    for fourier in (0.05, 0.1, 0.2):
        warm = expm(laplace * n * n * fourier) @ np.ones(n - 1)
        middle = warm[n // 2 - 1]
        assert thermal.slab_centre_share(fourier) == pytest.approx(middle, abs=2e-4)


@given(depth=st.floats(1e-6, 1e-3), time=st.floats(1e-3, 10.0))
def test_semi_infinite_against_scipy(depth: float, time: float) -> None:
    wanted = erfc(depth / (2 * math.sqrt(2e-7 * time)))
    assert thermal.semi_infinite_share(depth, 2e-7, time) == pytest.approx(wanted, abs=1e-12)


def test_heat_up_and_cool_down_against_an_ode_solver() -> None:
    up = thermal.heat_up_s(25.0, 160.0, 23.0, 500.0, 2.0, 1800.0)
    done = solve_ivp(
        lambda _, T: (500.0 - 2.0 * (T - 23.0)) / 1800.0, (0, up), [25.0], rtol=1e-10, atol=1e-9
    )
    assert done.y[0, -1] == pytest.approx(160.0, abs=1e-5)
    down = thermal.cool_down_s(160.0, 80.0, 23.0, 20.0, 1800.0)
    done = solve_ivp(
        lambda _, T: -20.0 * (T - 23.0) / 1800.0, (0, down), [160.0], rtol=1e-10, atol=1e-9
    )
    assert done.y[0, -1] == pytest.approx(80.0, abs=1e-5)


def test_what_heat_cannot_reach_takes_for_ever() -> None:
    assert thermal.heat_up_s(25.0, 300.0, 23.0, 500.0, 2.0, 1800.0) == math.inf
    assert thermal.cool_down_s(100.0, 20.0, 23.0, 2.0, 1800.0) == math.inf
    assert thermal.heat_up_s(100.0, 90.0, 23.0, 500.0, 2.0, 1800.0) == 0.0


def test_simc_loop_has_the_published_margins() -> None:
    """Skogestad 2003: tau_c = theta gives a gain margin near 3 and Ms near 1.6 to 1.7."""
    K, tau, theta = 2.5, 900.0, 10.0
    Kc = thermal.simc_gain(K, tau, theta, theta)
    tau_i = thermal.simc_integral_s(tau, theta, theta)
    w = np.logspace(-4, 1, 20001)
    s = 1j * w
    loop = Kc * (1 + 1 / (tau_i * s)) * K * np.exp(-theta * s) / (tau * s + 1)
    assert np.max(np.abs(1 / (1 + loop))) == pytest.approx(1.69, abs=0.02)
    phase = np.unwrap(np.angle(loop))
    crossing = np.argmin(np.abs(phase + math.pi))
    assert 1 / abs(loop[crossing]) == pytest.approx(2.98, abs=0.02)
