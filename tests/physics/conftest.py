"""The bench rig at rest, and a way to carry it forward in ticks."""

from collections.abc import Callable

import pytest

from simulator.defaults import bench_rig, resting_state
from simulator.plant import Actuation, PlantParams, PlantState, advance

psi = 6894.757
Carry = Callable[[PlantState, Actuation, float], PlantState]


@pytest.fixture(scope="session")
def rig() -> PlantParams:
    return bench_rig()


@pytest.fixture(scope="session")
def cold(rig: PlantParams) -> PlantState:
    """Bottle at 2200 psi, house air at 90 psi, nothing else."""
    return resting_state(rig, 2200 * psi, 90 * psi)


@pytest.fixture(scope="session")
def carry(rig: PlantParams) -> Carry:
    """Advance in ticks of 20 ms."""

    def run(state: PlantState, actuation: Actuation, duration_s: float) -> PlantState:
        for _ in range(round(duration_s / 0.02)):
            state = advance(state, rig, actuation, 0.02)
        return state

    return run


@pytest.fixture(scope="session")
def clamped(cold: PlantState, carry: Carry) -> PlantState:
    """Regulator at 300 psi, clamp full on a cold stack."""
    actuation = Actuation(regulator_set_Pa=300 * psi, clamp_apply=1.0)
    return carry(cold, actuation, 5.0)


@pytest.fixture(scope="session")
def pressed(clamped: PlantState, carry: Carry) -> PlantState:
    """The same with the film at 300 psi over a stack at 165 degC."""
    hot = clamped._replace(
        block_degC=165.0, head_degC=165.0, foil_degC=163.0, followed_setpoint_degC=165.0
    )
    return carry(hot, PRESS, 3.0)


PRESS = Actuation(
    regulator_set_Pa=300 * psi,
    clamp_apply=1.0,
    vent=0.0,
    isolation=1.0,
    supply=1.0,
    heater_enable=1.0,
    heater_setpoint_degC=165.0,
)
