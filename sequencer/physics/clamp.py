"""The clamp: does the cylinder hold the stack shut against the film?

Plain statics; all pressures gauge. Efficiency 0.85 to 0.95 for seal friction (from memory).
"""

import math


def disc_m2(diameter_m: float) -> float:
    """Area of a round piston or seal."""
    return 0.25 * math.pi * diameter_m * diameter_m


def cylinder_force_N(clamp_Pa: float, bore_m: float, efficiency: float) -> float:
    """Force of the extending cylinder, eta p A."""
    return efficiency * clamp_Pa * disc_m2(bore_m)


def separating_force_N(film_Pa: float, seal_diameter_m: float) -> float:
    """Force with which the film pressure pushes the stack open, over its sealed area."""
    return film_Pa * disc_m2(seal_diameter_m)


def clamp_margin(
    clamp_Pa: float, film_Pa: float, bore_m: float, seal_diameter_m: float, efficiency: float
) -> float:
    """m = eta p_clamp A_cyl / (p_film A_film); infinite when the film carries no pressure."""
    separating_N = separating_force_N(film_Pa, seal_diameter_m)
    if separating_N <= 0.0:
        return math.inf
    return cylinder_force_N(clamp_Pa, bore_m, efficiency) / separating_N


def permitted_film_Pa(
    clamp_Pa: float, bore_m: float, seal_diameter_m: float, efficiency: float, factor: float
) -> float:
    """Highest film pressure that keeps the clamp margin at or above the factor."""
    closing_N = cylinder_force_N(clamp_Pa, bore_m, efficiency)
    return max(0.0, closing_N / (factor * disc_m2(seal_diameter_m)))
