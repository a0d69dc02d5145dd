"""Every formula against the table of check values, each row with its published source."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from sequencer.physics import clamp, film, flow, nitrogen, polymer, thermal

TABLE = Path(__file__).parents[1] / "reference" / "check_values.csv"
ROWS = {row["id"]: row for row in csv.DictReader(TABLE.open(encoding="utf-8"))}

psi = 6894.757
ROOM = 101325.0
HIGH = 300 * psi + ROOM
UNIT = 1e-8  # 1 dm3/(s bar)
VALVE = (0.2e-3, 0.5 * UNIT, 0.3)
PSU_DIFFUSIVITY = 2.096774e-7
NICKEL = 13.4e-6
LN10 = 2.302585093


def air_flow(up: float, down: float) -> float:
    return flow.air_mass_flow_kg_per_s(UNIT, 0.3, up * psi + ROOM, down * psi + ROOM, 20.0)


def fill_air(target: float) -> float:
    return flow.fill_time_s(*VALVE, HIGH, ROOM, target, 1.0)


def vent_air(target: float) -> float:
    return flow.vent_time_s(*VALVE, HIGH, target, ROOM, 1.0)


def cycle_g(litres: float, gauge_psi: float) -> float:
    return 1e3 * nitrogen.cycle_kg(1e-3 * litres, gauge_psi * psi + ROOM, ROOM)


def cycles(litres: float, gauge_psi: float) -> float:
    per_cycle = 1e-3 * cycle_g(litres, gauge_psi)
    return nitrogen.cycles_left(0.049, 2200 * psi + ROOM, 500 * psi + ROOM, per_cycle)


def usable_kg() -> float:
    return nitrogen.filled_kg(0.049, 2200 * psi + ROOM) - nitrogen.filled_kg(
        0.049, 500 * psi + ROOM
    )


def wlf(above: float) -> float:
    return polymer.wlf_decades(above, 17.44, 51.6)


def pc(foil: float, tg: float = 147.0, factor: float = 1.0) -> float:
    reference = tg + 299.85 - 147.0
    return polymer.viscosity_Pa_s(foil, tg, reference, 462.0 * factor, 8.4 / LN10, 246.8)


def ps(foil: float) -> float:
    return polymer.viscosity_Pa_s(foil, 100.0, 229.85, 1223.0, 6.5 / LN10, 158.2)


def pmma(foil: float) -> float:
    return polymer.viscosity_Pa_s(foil, 105.0, 105.0, 7.82e12, 31.8 / LN10, 51.6)


def demold(cte: float, freeze: float, cold: float, modulus: float, nu: float) -> float:
    strain = polymer.demold_strain(cte, NICKEL, freeze, cold)
    return 1e-6 * polymer.demold_stress_Pa(strain, modulus, nu)


def filling(eta: float, pressure: float, aspect: float, shape: tuple[float, float]) -> float:
    return polymer.fill_time_s(pressure, eta, aspect, *shape)


SLOT = (polymer.SLOT_ENTRY, polymer.SLOT_WALL)
HOLE = (polymer.HOLE_ENTRY, polymer.HOLE_WALL)


def density(bar: float) -> float:
    return nitrogen.density_kg_per_m3(bar * 1e5)


def density_psi(gauge: float) -> float:
    return nitrogen.density_kg_per_m3(gauge * psi + ROOM)


def stress(T: float, a_mm: float, t_um: float, p: float) -> float:
    return 1e-6 * film.window_stress_Pa(p * psi, a_mm * 1e-3, t_um * 1e-6, T)


def margin(T: float, a_mm: float, t_um: float, p: float) -> float:
    return film.window_margin(p * psi, a_mm * 1e-3, t_um * 1e-6, T)


def rise(T: float, a_mm: float, t_um: float, p: float) -> float:
    return 1e3 * film.window_deflection_m(p * psi, a_mm * 1e-3, t_um * 1e-6, T)


def radius(T: float, t_um: float, p: float) -> float:
    return 1e3 * film.largest_free_radius_m(2.0, p * psi, t_um * 1e-6, T)


def trapped(gauge: float) -> float:
    return polymer.trapped_gas_fill(gauge * psi + ROOM, ROOM)


COMPUTED: dict[str, Callable[[], float]] = {
    "a1.1": lambda: air_flow(300, 0),
    "a1.2": lambda: air_flow(300, 250),
    "a1.3": lambda: air_flow(100, 60),
    "a1.4": lambda: air_flow(60, 0),
    "a1.5": lambda: flow.NITROGEN_MASS_FACTOR,
    "a2.10": lambda: flow.orifice_conductance_m3_per_s_Pa(1e-6, 1.0) / UNIT,
    "a3.1": lambda: fill_air(0.3 * HIGH),
    "a3.2": lambda: fill_air(0.95 * HIGH),
    "a3.3": lambda: fill_air(0.99 * HIGH),
    "a3.4": lambda: fill_air(HIGH),
    "a3.6": lambda: vent_air(ROOM / 0.3),
    "a3.7": lambda: vent_air(5 * psi + ROOM),
    "a3.8": lambda: vent_air(1 * psi + ROOM),
    "a4.1": lambda: density(1.01325),
    "a4.2": lambda: density(5),
    "a4.3": lambda: density(10),
    "a4.4": lambda: density(21.7),
    "a4.5": lambda: density(50),
    "a4.6": lambda: density(69),
    "a4.7": lambda: density(100),
    "a4.8": lambda: density(138),
    "a4.9": lambda: density(140),
    "a4.11": lambda: density_psi(60),
    "a4.12": lambda: density_psi(100),
    "a4.13": lambda: density_psi(200),
    "a4.14": lambda: density_psi(300),
    "a4.15": lambda: density_psi(500),
    "a4.16": lambda: density_psi(2200),
    "a4.17": lambda: nitrogen.compressibility(21.7e5),
    "a4.18": lambda: nitrogen.compressibility(69e5),
    "a4.19": lambda: nitrogen.compressibility(138e5),
    "a5.1": lambda: clamp.cylinder_force_N(90 * psi, 0.1, 1.0),
    "a5.3": lambda: clamp.separating_force_N(300 * psi, 0.05),
    "a5.4": lambda: clamp.clamp_margin(90 * psi, 300 * psi, 0.1, 0.05, 1.0),
    "a5.5": lambda: clamp.permitted_film_Pa(90 * psi, 0.1, 0.05, 0.9, 1.5) / psi,
    "a6.1": usable_kg,
    "a6.2": lambda: cycle_g(0.2, 300),
    "a6.3": lambda: cycles(0.2, 300),
    "a6.4": lambda: cycle_g(0.2, 60),
    "a6.5": lambda: cycles(0.2, 60),
    "a6.6": lambda: cycle_g(1.0, 300),
    "a6.7": lambda: cycles(1.0, 300),
    "b1.1": lambda: thermal.slab_centre_share(0.05),
    "b1.2": lambda: thermal.slab_centre_share(0.1),
    "b1.3": lambda: thermal.slab_centre_share(0.2),
    "b1.4": lambda: thermal.slab_centre_share(0.4),
    "b1.6": lambda: thermal.slab_lag_s(250e-6, PSU_DIFFUSIVITY, 2.0),
    "b1.7": lambda: thermal.slab_lag_s(250e-6, PSU_DIFFUSIVITY, 1.0),
    "b2.1": lambda: thermal.semi_infinite_share(50e-6, PSU_DIFFUSIVITY, 0.01),
    "b2.2": lambda: thermal.semi_infinite_share(100e-6, PSU_DIFFUSIVITY, 0.01),
    "b2.3": lambda: thermal.semi_infinite_share(100e-6, PSU_DIFFUSIVITY, 0.1),
    "b2.4": lambda: thermal.contact_degC(
        220.0,
        thermal.effusivity(91.0, 8900.0, 445.0),
        20.0,
        thermal.effusivity(0.26, 1240.0, 1000.0),
    ),
    "b3.2": lambda: thermal.heat_up_s(25.0, 200.0, 25.0, 500.0, 2.0, 1800.0),
    "b3.4": lambda: thermal.cool_down_s(200.0, 60.0, 25.0, 20.0, 1800.0),
    "b4.11": lambda: thermal.simc_gain(2.5, 900.0, 10.0, 10.0),
    "b4.12": lambda: thermal.simc_integral_s(900.0, 10.0, 10.0),
    "b4.21": lambda: thermal.simc_gain(2.5, 900.0, 10.0, 30.0),
    "b4.22": lambda: thermal.simc_integral_s(900.0, 10.0, 30.0),
    "b4.3": lambda: thermal.half_rule_dead_s(1.0, 0.4 + 0.2 + 0.15 - 0.08, 0.3),
    "b4.4": lambda: thermal.simc_gain(1.0, thermal.half_rule_lag_s(2.0, 1.0), 1.47, 1.47),
    "b4.5": lambda: thermal.simc_gain(1.0, 2.0, 0.77, 0.77),
    "b5.1": lambda: demold(5.6e-5, 187.0, 150.0, 2.48e9, 0.37),
    "b5.2": lambda: demold(6.5e-5, 147.0, 110.0, 2.4e9, 0.37),
    "b5.3": lambda: demold(7e-5, 105.0, 80.0, 3e9, 0.38),
    "b5.4": lambda: (
        1e6 * polymer.edge_shift_m(polymer.demold_strain(5.6e-5, NICKEL, 187.0, 150.0), 0.025)
    ),
    "c1.1": lambda: wlf(10),
    "c1.2": lambda: wlf(20),
    "c1.3": lambda: wlf(30),
    "c1.4": lambda: wlf(50),
    "c1.5": lambda: wlf(60),
    "c1.6": lambda: wlf(100),
    "c1.7": lambda: polymer.moved_c1(17.44, 51.6, 50.0),
    "c1.8": lambda: polymer.moved_c2_K(51.6, 50.0),
    "c2.1": lambda: pc(180),
    "c2.2": lambda: pc(200),
    "c2.3": lambda: pc(240),
    "c2.4": lambda: pc(300),
    "c3.1": lambda: ps(150),
    "c3.2": lambda: ps(180),
    "c3.3": lambda: ps(220),
    "c4.1": lambda: pmma(150),
    "c4.2": lambda: pmma(180),
    "c4.3": lambda: pmma(205),
    "c4.4": lambda: pmma(240),
    "c5.1": lambda: polymer.moved_c1(8.4 / LN10, 246.8, 197.0 - 299.85),
    "c5.2": lambda: polymer.moved_c2_K(246.8, 197.0 - 299.85),
    "c5.3": lambda: pc(197.0),
    "c6.2": lambda: pc(172.0),
    "c6.3": lambda: pc(220.0, 187.0, 4.4),
    "c6.4": lambda: pc(240.0, 187.0, 4.4),
    "c6.5": lambda: pc(343.0, 187.0, 4.4),
    "c6.6": lambda: pc(240.0, 216.0, 4.4),
    "c6.7": lambda: pc(250.0, 216.0, 4.4),
    "c6.8": lambda: pc(355.0, 216.0, 4.4),
    "c6.9": lambda: pc(180.0, 136.0, 0.5),
    "c6.10": lambda: pc(260.0, 136.0, 0.5),
    "c7.4": lambda: (
        polymer.wlf_decades(150 - 229.85, 6.5 / LN10, 158.2)
        - polymer.wlf_decades(170 - 229.85, 6.5 / LN10, 158.2)
    ),
    "c8.1": lambda: polymer.elastic_depth_ratio(300 * psi, 3.6e6),
    "c8.2": lambda: polymer.relaxation_s(pc(240.0, 187.0, 4.4), 3.6e6),
    "d1.1": lambda: polymer.stefan_line_s(1e3, 1e-5, 5e6, 2e-7, 1e-7),
    "d1.2": lambda: polymer.stefan_line_s(1e3, 1e-4, 5e6, 2e-7, 1e-7),
    "d1.3": lambda: polymer.stefan_line_s(3e3, 5e-6, 1e6, 3.4e-7, 5e-8),
    "d1.4": lambda: polymer.stefan_disc_s(1e3, 1e-5, 5e6, 2e-7, 1e-7),
    "d3.11": lambda: filling(1e6, 2.06843e6, 1.0, SLOT),
    "d3.12": lambda: filling(1e6, 2.06843e6, 1.0, HOLE),
    "d3.21": lambda: filling(1e6, 2.06843e6, 5.0, SLOT),
    "d3.22": lambda: filling(1e6, 2.06843e6, 5.0, HOLE),
    "d3.31": lambda: filling(1e5, 413685.0, 1.0, SLOT),
    "d3.32": lambda: filling(1e5, 413685.0, 1.0, HOLE),
    "d3.4": lambda: polymer.depth_ratio(60 * psi * 60.0 / 1e6, *HOLE) / 2.0,
    "d4.1": lambda: trapped(60),
    "d4.2": lambda: trapped(100),
    "d4.3": lambda: trapped(200),
    "d4.4": lambda: trapped(300),
    "d5.1": lambda: polymer.capillary_slot_Pa(0.03, 30.0, 100e-9),
    "e1.31": lambda: film.HENCKY_CENTRE_STRESS,
    "e1.33": lambda: film.HENCKY_DEFLECTION,
    "e2.4": lambda: 1e6 * film.plate_deflection_m(1e3, 0.01, 125e-6, 23.0),
    "e3.1": lambda: 1e-9 * film.modulus_Pa(300.0),
    "e4.11": lambda: stress(23, 2, 50, 300),
    "e4.12": lambda: margin(23, 2, 50, 300),
    "e4.13": lambda: rise(23, 2, 50, 300),
    "e4.21": lambda: stress(23, 5, 50, 60),
    "e4.22": lambda: margin(23, 5, 50, 60),
    "e4.23": lambda: rise(23, 5, 50, 60),
    "e4.31": lambda: stress(200, 1, 50, 300),
    "e4.32": lambda: margin(200, 1, 50, 300),
    "e4.33": lambda: rise(200, 1, 50, 300),
    "e4.41": lambda: stress(23, 25, 50, 60),
    "e4.42": lambda: margin(23, 25, 50, 60),
    "e4.43": lambda: rise(23, 25, 50, 60),
    "e4.51": lambda: stress(23, 25, 50, 300),
    "e4.52": lambda: margin(23, 25, 50, 300),
    "e4.53": lambda: rise(23, 25, 50, 300),
    "e4.61": lambda: stress(23, 25, 125, 60),
    "e4.62": lambda: margin(23, 25, 125, 60),
    "e4.63": lambda: rise(23, 25, 125, 60),
    "e5.1": lambda: film.burst_bound_Pa(0.025, 50e-6, 23.0) / psi,
    "e5.2": lambda: radius(23, 50, 300),
    "e5.3": lambda: radius(200, 50, 300),
    "e5.4": lambda: radius(250, 50, 300),
    "e5.5": lambda: radius(23, 125, 300),
    "e5.6": lambda: radius(200, 125, 60),
    "e5.7": lambda: 1e3 * film.radius_for_stress_m(69e6, 300 * psi, 50e-6, 23.0),
    "e5.8": lambda: 1e3 * film.radius_for_stress_m(41e6, 300 * psi, 50e-6, 200.0),
    "e6.1": lambda: 1e-6 * film.gap_stress_Pa(300 * psi, 1e-3, 50e-6, 23.0),
}


def allowed(row: dict[str, str]) -> float:
    text = row["tolerance"]
    if text.endswith("%"):
        return abs(float(row["value"])) * float(text[:-1]) / 100.0
    return float(text)


def test_every_row_is_checked() -> None:
    assert set(ROWS) == set(COMPUTED)


def test_every_row_names_its_source_and_confidence() -> None:
    for row in ROWS.values():
        assert row["source"]
        assert row["confidence"] in {"published", "computed", "memory"}


@pytest.mark.parametrize("name", sorted(COMPUTED))
def test_check_value(name: str) -> None:
    row = ROWS[name]
    assert COMPUTED[name]() == pytest.approx(float(row["value"]), abs=allowed(row)), row["source"]
