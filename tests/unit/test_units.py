"""Quantities against NIST SP 811, and the parser against text nobody meant."""

from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer import units
from sequencer.units import parse

# The units library takes its time on the first call.
relaxed = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])

# NIST Special Publication 811 (2008), appendix B: factors printed there.
NIST_SP_811 = [
    ("1 psi", units.PRESSURE, 6.894_757e3, 1e-6),
    ("1 bar", units.PRESSURE, 1.0e5, 1e-12),
    ("1 kPa", units.PRESSURE, 1.0e3, 1e-12),
    ("1 atm", units.PRESSURE, 1.013_25e5, 1e-12),
    ("1 torr", units.PRESSURE, 1.333_224e2, 1e-6),
    ("1 mmHg", units.PRESSURE, 1.333_224e2, 1e-6),
    ("1 kgf/cm2", units.PRESSURE, 9.806_65e4, 1e-9),
    ("1 inch", units.LENGTH, 2.54e-2, 1e-12),
    ("1 thou", units.LENGTH, 2.54e-5, 1e-12),
    ("1 ft3", units.VOLUME, 2.831_685e-2, 1e-6),
    ("1 L", units.VOLUME, 1.0e-3, 1e-12),
    ("212 degF", units.TEMPERATURE, 100.0, 1e-9),
    ("1 min", units.TIME, 60.0, 1e-12),
    ("1 h", units.TIME, 3600.0, 1e-12),
    ("10 poise", units.VISCOSITY, 1.0, 1e-9),
    ("1 lb/ft3", units.DENSITY, 16.018_46, 1e-6),
    ("1 ksi", units.MODULUS, 6.894_757e6, 1e-6),
]


@pytest.mark.parametrize(("text", "kind", "expected", "tolerance"), NIST_SP_811)
def test_conversions_are_those_of_nist_sp_811(
    text: str, kind: units.Kind, expected: float, tolerance: float
) -> None:
    assert parse(text, kind) == pytest.approx(expected, rel=tolerance)


@pytest.mark.parametrize("kind", units.KINDS, ids=lambda kind: kind.name)
def test_every_kind_reads_its_own_example(kind: units.Kind) -> None:
    assert parse(kind.example, kind) != 0.0


@pytest.mark.parametrize("psi", range(1, 501))
def test_the_same_pressure_is_the_same_float_in_psi_and_kpa_and_bar(psi: int) -> None:
    # 1 psi is exactly 4.4482216152605 N over (0.0254 m)^2, NIST SP 811.
    pascal = Decimal(psi) * Decimal("4.4482216152605") / Decimal("0.00064516")
    wanted = parse(f"{psi} psi", units.PRESSURE)
    assert parse(f"{pascal} Pa", units.PRESSURE) == wanted
    assert parse(f"{pascal / 1000} kPa", units.PRESSURE) == wanted
    assert parse(f"{pascal / 100000} bar", units.PRESSURE) == wanted


@relaxed
@given(st.integers(1, 10**7))
def test_the_same_pressure_is_the_same_float_in_any_decimal_unit(pascal: int) -> None:
    wanted = parse(f"{pascal} Pa", units.PRESSURE)
    assert wanted == float(pascal)
    for unit, power in (("kPa", 3), ("bar", 5), ("MPa", 6), ("mbar", 2)):
        text = f"{Decimal(pascal).scaleb(-power):f} {unit}"
        assert parse(text, units.PRESSURE) == wanted


def wrong_with(text: str, kind: units.Kind) -> str:
    """Return what parse says is wrong; anything but a ValueError passes through and fails."""
    try:
        parse(text, kind)
    except ValueError as error:
        return str(error)
    return "nothing, for example"


@relaxed
@given(st.text(max_size=60), st.sampled_from(units.KINDS))
def test_parse_raises_nothing_but_value_error_on_any_text(text: str, kind: units.Kind) -> None:
    assert "for example" in wrong_with(text, kind)


NEAR_MISS = r"[0-9]{1,3}(\.[0-9])? ?[a-zA-Z0-9*/^() .-]{0,20}"


@relaxed
@given(st.from_regex(NEAR_MISS, fullmatch=True), st.sampled_from(units.KINDS))
def test_parse_raises_nothing_but_value_error_on_near_misses(text: str, kind: units.Kind) -> None:
    assert "for example" in wrong_with(text, kind)


@pytest.mark.parametrize("text", ["1 m**9**9**9**9", "1 m^9^9", "2 9**9**9", "1 m*9", "3 m**99999"])
def test_arithmetic_never_reaches_the_units_library(text: str) -> None:
    with pytest.raises(ValueError, match="not a unit known here"):
        parse(text, units.LENGTH)


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("180", units.PRESSURE, "has no unit"),
        (180, units.PRESSURE, "has no unit"),
        (180.0, units.PRESSURE, "has no unit"),
        (float("nan"), units.PRESSURE, "not a finite number"),
        (True, units.PRESSURE, "not a quantity"),
        (None, units.PRESSURE, "not a quantity"),
        ("1e999 psi", units.PRESSURE, "not a finite number"),
        ("1e308 GPa", units.PRESSURE, "not a finite number"),
        ("160 degC", units.PRESSURE, "degC is a temperature"),
        ("180 psi", units.TEMPERATURE, "psi is a pressure"),
        ("160 K", units.TEMPERATURE, "K is used for differences"),
        ("2 degC", units.DIFFERENCE, "degC is a temperature"),
        ("90 parsecs/fortnight", units.TIME, "not a unit known here"),
        ("-15 psi", units.PRESSURE, "below vacuum"),
        ("-0.1 psia", units.PRESSURE, "below vacuum"),
        ("-274 degC", units.TEMPERATURE, "below absolute zero"),
        ("nan psi", units.PRESSURE, "not a number and a unit"),
    ],
)
def test_what_is_wrong_is_said(text: object, kind: units.Kind, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse(text, kind)


def test_absolute_pressures_become_gauge_at_the_standard_atmosphere() -> None:
    # Standard atmosphere 101 325 Pa, NIST SP 811.
    assert parse("1 atm abs", units.PRESSURE) == pytest.approx(0.0, abs=1e-6)
    assert parse("2 bara", units.PRESSURE) == pytest.approx(2e5 - 101_325.0)
    assert parse("30 psia", units.PRESSURE) == pytest.approx(30 * 6894.757 - 101_325.0, rel=1e-6)
    assert parse("30 psig", units.PRESSURE) == parse("30 psi", units.PRESSURE)


def test_a_kelvin_is_a_difference_in_rates_and_losses() -> None:
    assert parse("12 K/min", units.RATE) == 12.0
    assert parse("2 W/K", units.HEAT_LOSS) == 2.0
    assert parse("0.2 W/(m K)", units.CONDUCTIVITY) == 0.2
    assert parse("7e-5 1/K", units.EXPANSION) == 7e-5


def test_screens_show_both_units() -> None:
    assert units.show_pressure(180 * units.PSI_Pa) == "180 psi (1241 kPa)"
    assert units.show_pressure(2 * units.PSI_Pa) == "2.0 psi (14 kPa)"
    assert units.show_time(4.21) == "4.2 s"
    assert units.show_time(725) == "12 min 05 s"
    assert units.show_time(7260) == "2 h 01 min"
