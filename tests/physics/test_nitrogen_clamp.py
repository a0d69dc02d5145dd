"""Nitrogen against CoolProp; the clamp's margin as a property."""

import math

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from sequencer.physics import clamp, nitrogen

psi = 6894.757
ROOM = 101325.0
pressures = st.floats(0.1e5, 20e5)


@pytest.mark.parametrize("bar", [1.01325, 3, 8, 21.7, 45, 69, 100, 138, 152])
def test_density_against_the_reference_equation(bar: float) -> None:
    """CoolProp: Span et al. 2000. Fit range 1 to 140 bar abs; a little beyond is still 0.03 %."""
    exact = PropsSI("D", "P", bar * 1e5, "T", 293.15, "Nitrogen")
    assert nitrogen.density_kg_per_m3(bar * 1e5) == pytest.approx(
        exact, rel=1e-4 if bar <= 140 else 3e-4
    )


def test_density_of_a_full_200_bar_bottle() -> None:
    exact = PropsSI("D", "P", 200e5, "T", 293.15, "Nitrogen")
    assert nitrogen.density_kg_per_m3(200e5) == pytest.approx(exact, rel=5e-3)


@given(pressure=st.floats(1e3, 220e5))
def test_pressure_is_the_inverse_of_density(pressure: float) -> None:
    density = nitrogen.density_kg_per_m3(pressure)
    assert nitrogen.pressure_at_density_abs_Pa(density) == pytest.approx(pressure, rel=1e-11)


def test_bottle_budget_against_the_reference_equation() -> None:
    """49 L from 2200 to 500 psi (change-out: common practice, no source), 0.2 L to 300 psi."""

    def exact(gauge_psi: float) -> float:
        return float(PropsSI("D", "P", gauge_psi * psi + ROOM, "T", 293.15, "Nitrogen"))

    cycle = 0.2e-3 * (exact(300) - exact(0))
    cycles = 0.049 * (exact(2200) - exact(500)) / cycle
    mine = nitrogen.cycle_kg(0.2e-3, 300 * psi + ROOM, ROOM)
    assert mine == pytest.approx(cycle, rel=2e-4)
    left = nitrogen.cycles_left(0.049, 2200 * psi + ROOM, 500 * psi + ROOM, mine)
    assert left == pytest.approx(cycles, abs=2)


def test_an_empty_bottle_gives_nothing_and_a_tight_cycle_takes_nothing() -> None:
    assert nitrogen.cycles_left(0.049, 400 * psi, 500 * psi, 1e-3) == 0.0
    assert nitrogen.cycles_left(0.049, 600 * psi, 500 * psi, 0.0) == math.inf


@given(clamp_Pa=pressures, film_Pa=pressures, more=st.floats(1.001, 3.0))
def test_margin_falls_with_film_and_rises_with_clamp(
    clamp_Pa: float, film_Pa: float, more: float
) -> None:
    margin = clamp.clamp_margin(clamp_Pa, film_Pa, 0.125, 0.05, 0.9)
    assert clamp.clamp_margin(clamp_Pa, film_Pa * more, 0.125, 0.05, 0.9) < margin
    assert clamp.clamp_margin(clamp_Pa * more, film_Pa, 0.125, 0.05, 0.9) > margin


@given(clamp_Pa=pressures, factor=st.floats(1.0, 3.0))
def test_the_permitted_film_pressure_has_just_that_margin(clamp_Pa: float, factor: float) -> None:
    film_Pa = clamp.permitted_film_Pa(clamp_Pa, 0.125, 0.05, 0.9, factor)
    assert clamp.clamp_margin(clamp_Pa, film_Pa, 0.125, 0.05, 0.9) == pytest.approx(factor)


def test_no_film_pressure_no_clamp_pressure() -> None:
    assert clamp.clamp_margin(0.0, 0.0, 0.125, 0.05, 0.9) == math.inf
    assert clamp.permitted_film_Pa(-5e3, 0.125, 0.05, 0.9, 1.5) == 0.0
