"""The table of materials against published values and against the formulas."""

import tomllib

import pytest

from sequencer.checks.filling import viscosity_Pa_s
from sequencer.errors import InputRefused
from sequencer.files import shipped, validate
from sequencer.material import Materials, load_materials
from sequencer.physics import film

TABLE = load_materials()


def test_every_polymer_is_there() -> None:
    assert set(TABLE.materials) == {"PMMA", "PC", "COC", "PSU", "PEI", "PS"}


# Tables 13.3 of the Engineering Plastics Handbook (Margolis, ed., 2006) and 1.8 of Crawford,
# Plastics Engineering; Osswald and Menges, Materials Science of Polymers (2012) for PC and PS.
PUBLISHED = [
    ("PSU", 1240.0, 0.26, 1000.0, 5.6e-5),
    ("PMMA", 1180.0, 0.20, 1500.0, 7.0e-5),
    ("PC", 1200.0, 0.20, 1260.0, 6.5e-5),
    ("PS", 1050.0, 0.15, 1340.0, 8.0e-5),
]


@pytest.mark.parametrize(("code", "density", "conductivity", "heat", "expansion"), PUBLISHED)
def test_bulk_values_are_the_published_ones(
    code: str, density: float, conductivity: float, heat: float, expansion: float
) -> None:
    found = TABLE.get(code)
    assert found.density_kg_per_m3.value == density
    assert found.conductivity_W_per_m_K.value == conductivity
    assert found.specific_heat_J_per_kg_K.value == heat
    assert found.expansion_per_K.value == pytest.approx(expansion, rel=1e-12)


# Osswald and Rudolph, Polymer Rheology (2015): eta0 exp(-A (T - D)/(B + T - D)), as printed.
OSSWALD_RUDOLPH = [
    ("PC", 180.0, 1.284_363e6),
    ("PC", 200.0, 1.391_379e5),
    ("PC", 240.0, 6.800_376e3),
    ("PS", 150.0, 9.212_657e5),
    ("PS", 180.0, 2.433_332e4),
    ("PS", 220.0, 1.883_040e3),
]


@pytest.mark.parametrize(("code", "degC", "expected"), OSSWALD_RUDOLPH)
def test_viscosity_is_that_of_the_published_fit(code: str, degC: float, expected: float) -> None:
    assert viscosity_Pa_s(TABLE.get(code), degC) == pytest.approx(expected, rel=2e-3)


def test_polystyrene_falls_as_in_an_independent_master_curve() -> None:
    # Likhtman et al. set of an open-source rheology package: 13.648 and 47.763 K at 100 degC.
    def decades(degC: float) -> float:
        return -13.64791 * (degC - 100.0) / (47.763 + degC - 100.0)

    ours = viscosity_Pa_s(TABLE.get("PS"), 150.0) / viscosity_Pa_s(TABLE.get("PS"), 170.0)
    assert ours == pytest.approx(10 ** (decades(150.0) - decades(170.0)), rel=0.08)


def test_acrylic_lies_in_the_published_range_far_above_tg() -> None:
    # Heyderman et al., Microelectron. Eng. 54:229 (2000): 300 to 3000 Pa s above Tg + 100 K.
    assert 300.0 < viscosity_Pa_s(TABLE.get("PMMA"), 230.0) < 3000.0


@pytest.mark.parametrize("code", TABLE.materials)
def test_tables_hang_together(code: str) -> None:
    found = TABLE.get(code)
    glass, window = found.glass_transition, found.window
    assert glass.low_degC <= glass.value_degC <= glass.high_degC
    assert window.demold_degC.high < glass.value_degC < window.temperature_degC.low
    assert viscosity_Pa_s(found, glass.value_degC + 4.9) == float("inf")
    # Inside the window the melt is neither water nor glass (Scheer et al., 2008).
    for degC in (window.temperature_degC.low, window.temperature_degC.high):
        assert 1e4 < viscosity_Pa_s(found, degC) < 1e8
    assert window.film_pressure_Pa.low < window.film_pressure_Pa.high
    assert window.hold_s.low < window.hold_s.high


def test_the_film_table_and_the_film_formulas_agree() -> None:
    for point in TABLE.film.modulus.points:
        assert film.modulus_Pa(point.at_degC) == pytest.approx(point.value_Pa, rel=0.01)
    for point in TABLE.film.strength.points:
        assert film.strength_Pa(point.at_degC) == pytest.approx(point.value_Pa, rel=0.01)
    assert TABLE.film.poisson_ratio.value == film.POISSON_RATIO


def test_nothing_recalled_is_called_published() -> None:
    for code, found in TABLE.materials.items():
        for name in type(found).model_fields:
            entry = getattr(found, name)
            if getattr(entry, "source", "") == "memory":
                assert entry.confidence == "memory", f"{code}.{name}"


@pytest.mark.parametrize(("code", "near"), [("PMA", "PMMA"), ("pmma", "PMMA"), ("PEEI", "PEI")])
def test_an_unknown_material_offers_near_names(code: str, near: str) -> None:
    with pytest.raises(InputRefused, match=f"no such material in the table; .*{near}"):
        TABLE.get(code, "it.toml")


def test_a_source_that_is_not_listed_is_refused() -> None:
    tables = tomllib.loads(shipped("materials.toml").read_text())
    tables["materials"]["PC"]["density"]["source"] = "hearsay"
    with pytest.raises(InputRefused, match="sources lacks hearsay"):
        validate(tables, Materials, "it.toml")
