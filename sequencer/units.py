"""Quantities as people write them (``"120 psi"``) and as the program keeps them (SI floats).

Conversion is done by the units library pint; this module adds what it does not know: which
pressures are gauge and which absolute, and that a temperature is not a temperature difference.
Pressures are gauge unless written absolute (``psia``, ``bara``, ``"8 bar abs"``); an absolute
pressure is turned into gauge at the standard atmosphere (101.325 kPa).

Suffixes used in names all over the project: ``Pa`` gauge pressure, ``abs_Pa`` absolute pressure,
``degC`` temperature, ``K`` temperature difference, ``s`` and ``ns`` time, ``m``, ``m2``, ``m3``,
``kg``, ``g``, ``N``, ``W``, ``J_per_K``, ``W_per_K``, ``m3_per_s_Pa``, ``Pa_s`` viscosity.
"""

import functools
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from pydantic import BeforeValidator

if TYPE_CHECKING:
    import pint

PSI_Pa = 6894.757  # NIST SP 811, appendix B
ATMOSPHERE_abs_Pa = 101_325.0  # standard atmosphere
KELVIN_OFFSET = 273.15


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: its name in messages, the unit kept inside, and an example."""

    name: str
    unit: str
    example: str


PRESSURE = Kind("a pressure", "Pa", "120 psi")
TEMPERATURE = Kind("a temperature", "degC", "160 degC")
DIFFERENCE = Kind("a temperature difference", "delta_degC", "2 K")
TIME = Kind("a time", "s", "90 s")
LENGTH = Kind("a length", "m", "50 mm")
VOLUME = Kind("a volume", "m**3", "0.2 L")
CONDUCTANCE = Kind("a sonic conductance", "m**3/(s*Pa)", "0.5 dm3/(s bar)")
RATE = Kind("a rate of temperature", "delta_degC/min", "12 K/min")
PRESSURE_RATE = Kind("a rate of pressure", "Pa/s", "0.5 psi/s")
POWER = Kind("a power", "W", "500 W")
HEAT_CAPACITY = Kind("a heat capacity", "J/delta_degC", "1800 J/K")
HEAT_LOSS = Kind("a heat loss", "W/delta_degC", "2 W/K")
MODULUS = Kind("a modulus", "Pa", "2.4 GPa")
VISCOSITY = Kind("a viscosity", "Pa*s", "8.2e5 Pa s")
DENSITY = Kind("a density", "kg/m**3", "1200 kg/m3")
CONDUCTIVITY = Kind("a thermal conductivity", "W/(m*delta_degC)", "0.2 W/(m K)")
SPECIFIC_HEAT = Kind("a specific heat", "J/(kg*delta_degC)", "1260 J/(kg K)")
EXPANSION = Kind("a thermal expansion", "1/delta_degC", "6.5e-5 1/K")
KINDS = (
    PRESSURE,
    TEMPERATURE,
    DIFFERENCE,
    TIME,
    LENGTH,
    VOLUME,
    CONDUCTANCE,
    RATE,
    PRESSURE_RATE,
    POWER,
    HEAT_CAPACITY,
    HEAT_LOSS,
    MODULUS,
    VISCOSITY,
    DENSITY,
    CONDUCTIVITY,
    SPECIFIC_HEAT,
    EXPANSION,
)

_NUMBER = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")
# What may stand as a unit. Anything else never reaches pint, whose parser also does arithmetic:
# a text like "m**9**9**9" would keep it busy for ever.
_TERM = r"(?:[A-Za-z\u00b5\u03bc°]+(?:(?:\*\*|\^)?-?[1-4])?|1)"
_UNIT = re.compile(rf"\(?{_TERM}\)?(?: ?[*/ ] ?\(?{_TERM}\)?)*")
_LONGEST_UNIT = 40
_ABSOLUTE = re.compile(r"^(psi|bar)a$|^(.+?)\s*\(?abs(?:olute)?\)?$")
_GAUGE = re.compile(r"^(psi|bar)g$|^(.+?)\s*\(?gauge\)?$")


@functools.cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint

    return pint.UnitRegistry()


def _unit_text(unit: str) -> str:
    """Write a unit as pint reads it: ``dm3/(s bar)`` becomes ``dm**3/(s*bar)``.

    Raises:
        ValueError: if the text is not built of units, powers, ``*``, ``/`` and brackets.
    """
    unit = " ".join(unit.split())
    if len(unit) > _LONGEST_UNIT or _UNIT.fullmatch(unit) is None:
        raise ValueError(f"{unit} is not a unit")
    powered = re.sub(r"([A-Za-z])\^?(-?\d)", r"\1**\2", unit)
    return re.sub(r"(?<=[\w)])\s+(?=[\w(])", "*", powered)


def _convert(number: float, unit: str, kind: Kind) -> float:
    unit = _unit_text(unit)
    if "delta_degC" in kind.unit:
        # In these a kelvin is a difference; pint would otherwise see an absolute temperature.
        unit = re.sub(r"\bK\b", "delta_degC", unit)
    value = _registry().Quantity(number, unit).to(kind.unit).magnitude
    # Twelve digits: the same pressure written in psi, kPa or bar becomes the same float.
    return float(f"{value:.12g}")


def _kind_of(unit: str) -> str:
    """Name the kind of quantity that a unit measures, for a message."""
    for kind in KINDS:
        if kind is TEMPERATURE and unit.strip() == "K":
            continue
        try:
            _convert(1.0, unit, kind)
        except Exception:  # pint raises several unrelated types for text that is no unit
            continue
        return kind.name
    return "not a unit known here"


def parse(text: object, kind: Kind) -> float:
    """Return the quantity written in ``text`` in the unit that ``kind`` is kept in.

    Raises:
        ValueError: naming what is wrong and giving an example, for a bare number, an unknown
            unit, a unit of another kind, a number that is not finite.
    """
    hint = f'write {kind.name} with its unit, for example "{kind.example}"'
    if isinstance(text, bool) or not isinstance(text, (int, float, str)):
        raise ValueError(f"not a quantity; {hint}")
    if isinstance(text, (int, float)):
        if not math.isfinite(text):
            raise ValueError(f"not a finite number; {hint}")
        raise ValueError(f"has no unit; {hint}")
    match = _NUMBER.match(text)
    if match is None:
        raise ValueError(f"not a number and a unit; {hint}")
    number, unit = float(match.group(1)), match.group(2)
    if not math.isfinite(number):
        raise ValueError(f"not a finite number; {hint}")
    if not unit:
        raise ValueError(f"has no unit; {hint}")
    absolute = gauge = None
    if kind is PRESSURE:
        absolute, gauge = _ABSOLUTE.match(unit), _GAUGE.match(unit)
        marked = absolute or gauge
        if marked is not None:
            unit = marked.group(1) or marked.group(2)
    elif kind is DIFFERENCE and unit in ("degC", "degF", "°C"):
        raise ValueError(f"{unit} is a temperature; {hint}")
    elif kind is TEMPERATURE and unit == "K":
        raise ValueError(f"K is used for differences here; {hint}")
    try:
        value = _convert(number, unit.replace("°", "deg"), kind)
    except Exception:  # pint raises several unrelated types; all mean that the unit does not fit
        raise ValueError(f"{unit} is {_kind_of(unit)}; {hint}") from None
    if absolute is not None:
        value -= ATMOSPHERE_abs_Pa
    if not math.isfinite(value):
        raise ValueError(f"not a finite number; {hint}")
    if kind is PRESSURE and value < -ATMOSPHERE_abs_Pa:
        raise ValueError(f"lies below vacuum; {hint}")
    if kind is TEMPERATURE and value < -KELVIN_OFFSET:
        raise ValueError(f"lies below absolute zero; {hint}")
    return value


def _parser(kind: Kind) -> BeforeValidator:
    return BeforeValidator(lambda value: parse(value, kind))


Pressure = Annotated[float, _parser(PRESSURE)]
Temperature = Annotated[float, _parser(TEMPERATURE)]
Difference = Annotated[float, _parser(DIFFERENCE)]
Time = Annotated[float, _parser(TIME)]
Length = Annotated[float, _parser(LENGTH)]
Volume = Annotated[float, _parser(VOLUME)]
Conductance = Annotated[float, _parser(CONDUCTANCE)]
Rate = Annotated[float, _parser(RATE)]
PressureRate = Annotated[float, _parser(PRESSURE_RATE)]
Power = Annotated[float, _parser(POWER)]
HeatCapacity = Annotated[float, _parser(HEAT_CAPACITY)]
HeatLoss = Annotated[float, _parser(HEAT_LOSS)]
Modulus = Annotated[float, _parser(MODULUS)]
Viscosity = Annotated[float, _parser(VISCOSITY)]
Density = Annotated[float, _parser(DENSITY)]
Conductivity = Annotated[float, _parser(CONDUCTIVITY)]
SpecificHeat = Annotated[float, _parser(SPECIFIC_HEAT)]
Expansion = Annotated[float, _parser(EXPANSION)]


def psi(pressure_Pa: float) -> float:
    """Return a pressure in psi."""
    return pressure_Pa / PSI_Pa


def show_pressure(pressure_Pa: float) -> str:
    """Write a gauge pressure as screens show it: ``180 psi (1241 kPa)``."""
    value_psi = psi(pressure_Pa)
    digits = 0 if abs(value_psi) >= 20 else 1
    # Adding zero turns a minus zero, which rounding leaves, into a plain one.
    shown_psi, shown_kPa = round(value_psi, digits) + 0.0, round(pressure_Pa / 1e3) + 0.0
    return f"{shown_psi:.{digits}f} psi ({shown_kPa:.0f} kPa)"


def show_temperature(temperature_degC: float) -> str:
    """Write a temperature as screens show it: ``160.0 degC``."""
    return f"{temperature_degC:.1f} degC"


def show_time(time_s: float) -> str:
    """Write a time as screens show it: ``4.2 s`` or ``12 min 05 s``."""
    if time_s < 60:
        return f"{time_s:.1f} s"
    whole = round(time_s)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def ns(time_s: float) -> int:
    """Return a time in whole nanoseconds, as the core counts it."""
    return round(time_s * 1e9)
