"""Gas through valves, into and out of volumes.

Pressures are absolute. A valve is its sonic conductance C in m3/(s Pa) (1 dm3/(s bar) is 1e-8) and
its critical pressure ratio b. Source of the flow law: ISO 6358-1:2013, subsonic index 0.5.
"""

import math

REFERENCE_DENSITY_kg_per_m3 = 1.185
REFERENCE_K = 293.15
REFERENCE_Pa = 1.0e5
ZERO_CELSIUS_K = 273.15
AIR_GAS_CONSTANT_J_per_kg_K = 287.055
NITROGEN_GAS_CONSTANT_J_per_kg_K = 296.803
NITROGEN_MASS_FACTOR = 0.9834412
"""Mass flow of nitrogen over that of air through the same valve, sqrt(R_air/R_N2)."""
NITROGEN_VOLUME_FACTOR = 1.0168375
"""Speed of filling and venting with nitrogen over that with air, sqrt(R_N2/R_air)."""
LAMINAR_RATIO = 0.999
_IDEAL_CHOKED_FLOW = 0.6847315


def flow_function(ratio: float, critical_ratio: float) -> float:
    """Flow over choked flow at a downstream/upstream pressure ratio, 0 to 1.

    The ellipse above the critical ratio, a straight line to zero above a ratio of 0.999 so that
    the slope stays finite (ISO 6358-1:2013; the line is the usual numerical regularisation).
    """
    if ratio <= critical_ratio:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    span = 1.0 - critical_ratio
    if ratio <= LAMINAR_RATIO:
        s = (ratio - critical_ratio) / span
        return math.sqrt(1.0 - s * s)
    return laminar_gradient(critical_ratio) * (1.0 - ratio)


def flow_function_slope(ratio: float, critical_ratio: float) -> float:
    """Derivative of `flow_function` with respect to the pressure ratio, zero or negative."""
    if ratio <= critical_ratio:
        return 0.0
    span = 1.0 - critical_ratio
    if ratio <= LAMINAR_RATIO:
        s = (ratio - critical_ratio) / span
        return -s / (span * math.sqrt(1.0 - s * s))
    return -laminar_gradient(critical_ratio)


def laminar_gradient(critical_ratio: float) -> float:
    """Slope of `flow_function` on its straight line near equal pressures, taken positive.

    There the mass flow is proportional to the pressure difference itself.
    """
    s = (LAMINAR_RATIO - critical_ratio) / (1.0 - critical_ratio)
    return math.sqrt(1.0 - s * s) / (1.0 - LAMINAR_RATIO)


def air_mass_flow_kg_per_s(
    conductance_m3_per_s_Pa: float,
    critical_ratio: float,
    up_abs_Pa: float,
    down_abs_Pa: float,
    up_degC: float,
) -> float:
    """Mass flow of air from the upstream to the downstream side; needs up >= down (ISO 6358-1)."""
    choked = conductance_m3_per_s_Pa * up_abs_Pa * REFERENCE_DENSITY_kg_per_m3
    cooling = math.sqrt(REFERENCE_K / (up_degC + ZERO_CELSIUS_K))
    return choked * cooling * flow_function(down_abs_Pa / up_abs_Pa, critical_ratio)


def nitrogen_mass_flow_kg_per_s(
    conductance_m3_per_s_Pa: float,
    critical_ratio: float,
    up_abs_Pa: float,
    down_abs_Pa: float,
    up_degC: float,
) -> float:
    """Mass flow of nitrogen through a valve rated with air (choked-nozzle scaling of ISO 6358)."""
    return NITROGEN_MASS_FACTOR * air_mass_flow_kg_per_s(
        conductance_m3_per_s_Pa, critical_ratio, up_abs_Pa, down_abs_Pa, up_degC
    )


def series_conductance(first: float, second: float) -> float:
    """Conductance of two valves in a row, 1/C^2 = sum 1/C_i^2; good when their b are alike.

    Source: ISO 6358-3:2014, first guess. A closed valve closes the row.
    """
    if first <= 0.0 or second <= 0.0:
        return 0.0
    return first * second / math.hypot(first, second)


def parallel_conductance(first: float, second: float) -> float:
    """Conductance of two valves side by side (ISO 6358-3:2014)."""
    return first + second


def orifice_conductance_m3_per_s_Pa(area_m2: float, discharge: float) -> float:
    """Sonic conductance of an orifice for air: Cd A psi* sqrt(R T0)/p0, psi* = 0.68473.

    Discharge 0.6 for a sharp edge to 0.95 for a rounded one. Source: choked nozzle, standard gas
    dynamics (Shapiro 1953).
    """
    speed_m_per_s = _IDEAL_CHOKED_FLOW * math.sqrt(AIR_GAS_CONSTANT_J_per_kg_K * REFERENCE_K)
    return discharge * area_m2 * speed_m_per_s / REFERENCE_Pa


def fill_time_s(
    volume_m3: float,
    conductance_m3_per_s_Pa: float,
    critical_ratio: float,
    supply_abs_Pa: float,
    start_abs_Pa: float,
    target_abs_Pa: float,
    volume_factor: float,
) -> float:
    """Time to fill a volume isothermally at 20 degC from a constant supply to a target.

    A straight line while choked, then a quarter sine, so the full supply pressure is reached in a
    finite time. `volume_factor` is 1 for air, `NITROGEN_VOLUME_FACTOR` for nitrogen. Infinite for
    a target above the supply or a shut valve. Source: closed form of the ISO 6358 ellipse.
    """
    if target_abs_Pa <= start_abs_Pa:
        return 0.0
    if target_abs_Pa > supply_abs_Pa or conductance_m3_per_s_Pa <= 0.0:
        return math.inf
    unit_s = volume_m3 / (REFERENCE_Pa * conductance_m3_per_s_Pa * volume_factor)
    knee_abs_Pa = critical_ratio * supply_abs_Pa
    span = 1.0 - critical_ratio
    choked_s = 0.0
    if start_abs_Pa < knee_abs_Pa:
        choked_s = unit_s * (min(target_abs_Pa, knee_abs_Pa) - start_abs_Pa) / supply_abs_Pa
    first = max(start_abs_Pa / supply_abs_Pa, critical_ratio) - critical_ratio
    last = max(target_abs_Pa / supply_abs_Pa, critical_ratio) - critical_ratio
    return choked_s + unit_s * span * (
        math.asin(min(1.0, last / span)) - math.asin(min(1.0, first / span))
    )


def _vent_integral(ratio: float, critical_ratio: float) -> float:
    """Antiderivative of 1/(r flow_function(r)) over a subsonic vent, at ratio r = room/volume."""
    b = critical_ratio
    span = 1.0 - b
    half = math.tan(0.5 * math.asin(min(1.0, (ratio - b) / span)))
    spread = 1.0 - 2.0 * b
    if abs(spread) < 1e-6:
        return -2.0 / (1.0 + half)
    if spread > 0.0:
        root = math.sqrt(spread)
        return math.log((b * half + span - root) / (b * half + span + root)) / root * span
    root = math.sqrt(-spread)
    return 2.0 * math.atan((b * half + span) / root) / root * span


def vent_time_s(
    volume_m3: float,
    conductance_m3_per_s_Pa: float,
    critical_ratio: float,
    start_abs_Pa: float,
    target_abs_Pa: float,
    room_abs_Pa: float,
    volume_factor: float,
) -> float:
    """Time to vent a volume isothermally at 20 degC into the room, down to a target.

    Exponential while choked, then the closed integral of the ISO 6358 ellipse. Infinite for a
    target below the room pressure or a shut valve.
    """
    if target_abs_Pa >= start_abs_Pa:
        return 0.0
    if target_abs_Pa < room_abs_Pa or conductance_m3_per_s_Pa <= 0.0:
        return math.inf
    unit_s = volume_m3 / (REFERENCE_Pa * conductance_m3_per_s_Pa * volume_factor)
    knee_abs_Pa = room_abs_Pa / critical_ratio
    choked_s = 0.0
    if start_abs_Pa > knee_abs_Pa:
        choked_s = unit_s * math.log(start_abs_Pa / max(target_abs_Pa, knee_abs_Pa))
    first = max(room_abs_Pa / start_abs_Pa, critical_ratio)
    last = max(room_abs_Pa / target_abs_Pa, critical_ratio)
    return choked_s + unit_s * (
        _vent_integral(last, critical_ratio) - _vent_integral(first, critical_ratio)
    )
