"""One valve between two volumes, with the slopes an implicit step needs."""

from sequencer.physics.flow import (
    LAMINAR_RATIO,
    REFERENCE_DENSITY_kg_per_m3,
    flow_function,
    flow_function_slope,
    laminar_gradient,
)


def valve_flow(
    conductance: float,
    critical_ratio: float,
    mass_factor: float,
    first_abs_Pa: float,
    second_abs_Pa: float,
) -> tuple[float, float, float]:
    """Mass flow from the first to the second volume in kg/s, and its slopes to both pressures.

    The flow is negative when the second pressure is the higher one. ISO 6358-1:2013 at 20 degC;
    `mass_factor` is 1 for air.
    """
    if conductance <= 0.0:
        return 0.0, 0.0, 0.0
    scale = conductance * REFERENCE_DENSITY_kg_per_m3 * mass_factor
    if LAMINAR_RATIO * first_abs_Pa < second_abs_Pa < first_abs_Pa / LAMINAR_RATIO:
        gradient = scale * laminar_gradient(critical_ratio)
        return gradient * (first_abs_Pa - second_abs_Pa), gradient, -gradient
    if first_abs_Pa > second_abs_Pa:
        ratio = second_abs_Pa / first_abs_Pa
        share = flow_function(ratio, critical_ratio)
        slope = flow_function_slope(ratio, critical_ratio)
        return scale * first_abs_Pa * share, scale * (share - ratio * slope), scale * slope
    ratio = first_abs_Pa / second_abs_Pa
    share = flow_function(ratio, critical_ratio)
    slope = flow_function_slope(ratio, critical_ratio)
    return -scale * second_abs_Pa * share, -scale * slope, -scale * (share - ratio * slope)


def implicit_share(step_s: float, stiffness_per_s: float) -> float:
    """How much of a flow's change over a step is taken at its end: a half (second order) while the
    step is short against the volume's own time, all of it (never unstable) when it is long.
    """
    return 0.5 if step_s * stiffness_per_s < 0.5 else 1.0


def crosses(difference_Pa: float, change_Pa: float) -> bool:
    """Whether a step carries a pressure difference through zero, which no valve can do."""
    return difference_Pa * (difference_Pa + change_Pa) < 0.0
