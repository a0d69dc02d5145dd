"""The one order, on the plant's truth: and the plant shows why it is the only one."""

from dataclasses import replace

import pytest

from sequencer import wiring
from sequencer.driver import make_driver
from sequencer.material import load_materials
from sequencer.model import Clamp, Outputs
from sequencer.units import PSI_Pa
from tests.runs.bench import hot, quick, rig, run

TICK_ns = 20_000_000


def test_every_move_of_a_clean_run_keeps_the_order() -> None:
    seen: list[tuple[bool, bool, bool, float]] = []

    def look(now_ns: int, inputs: object, step: object) -> None:
        told = step.outputs
        shut_off = not (told.supply_open and told.isolation_open)
        seen.append((told.clamp is Clamp.APPLY, shut_off, told.vent_open, now_ns / 1e9))

    done = run(sinks=[look])
    assert done.document["outcome"] == "complete"
    assert done.broken == []
    opened = [at for clamped, shut_off, _, at in seen if not shut_off]
    assert opened, "gas was let in"
    assert all(clamped for clamped, shut_off, _, _ in seen if not shut_off)
    assert not any(vent for _, shut_off, vent, _ in seen if not shut_off)
    applied = [at for clamped, _, _, at in seen if clamped]
    assert applied[0] < opened[0] < opened[-1] < applied[-1]


@pytest.mark.parametrize(
    ("step", "stage"),
    [
        ("heating", "warm"), ("heating", "load"), ("heating", "regulator"), ("heating", "announce"),
        ("clamping", "fill"), ("clamping", "drain gap"), ("clamping", "try isolation"),
        ("clamping", "try supply"), ("clamping", "bled again"), ("pressurizing", "soak"),
        ("pressurizing", "raise"), ("holding", "dwell"), ("cooling", "cool"), ("venting", "vent"),
        ("venting", "bled"), ("releasing", "open"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("interrupts", [1, 3])
def test_an_interrupt_anywhere_ends_in_order(step: str, stage: str, interrupts: int) -> None:
    done = run(stop_in=(step, stage), interrupts=interrupts)
    assert done.ended is not None
    assert done.ended.interrupted
    assert done.document["outcome"] == "stopped"
    assert done.broken == []
    assert done.raised == []
    assert done.ended.step.value == "idle"
    pressed = done.truth.film_peak_Pa > rig().limits.bled_Pa
    if pressed:
        assert done.steps[-3:] == ["venting", "releasing", "idle"]
    assert done.truth.film_Pa <= rig().limits.bled_Pa
    assert done.truth.piston_m < 0.9 * done.session.driver.bench().params.cylinder_stroke_m
    assert not done.session.sequencer.snapshot().outputs.heater_on


def pressed(clamp: Clamp, fill_s: float, air: str = "90 psi") -> float:
    """Whole film or not, after the gas is let in so long after the clamp was told."""
    gas = {"regulator": "180 psi", "supply_pressure": "180 psi"}
    the_rig = hot(start=gas, air={"pressure": air})
    driver = make_driver(the_rig, "test rig")
    driver.lay_in(quick(), load_materials().get("PMMA"))
    driver.open()
    driver.read(0)
    told = Outputs(clamp=clamp, expires_ns=2**62)
    driver.write(wiring.image(told, the_rig), 0)
    now_ns = round(fill_s * 1e9)
    driver.read(now_ns)
    fed = replace(told, supply_open=True, isolation_open=True, vent_open=False)
    driver.write(wiring.image(fed, the_rig), now_ns)
    for _ in range(150):
        now_ns += TICK_ns
        driver.read(now_ns)
    if driver.truth().film_intact:
        assert driver.truth().film_Pa == pytest.approx(180 * PSI_Pa, rel=0.05)
    return driver.truth().film_intact


def test_the_same_plant_bursts_when_the_order_is_broken() -> None:
    assert pressed(Clamp.APPLY, 5.0) == 1.0, "clamped, proved full, pressurised"
    assert pressed(Clamp.LEAVE, 5.0) == 0.0, "no clamp at all"
    assert pressed(Clamp.APPLY, 0.0) == 0.0, "too early: the clamp still closes"
    assert pressed(Clamp.APPLY, 5.0, "20 psi") == 0.0, "closed, but not full"


def test_the_same_plant_bursts_when_the_clamp_opens_under_pressure() -> None:
    the_rig = hot(start={"regulator": "180 psi", "supply_pressure": "180 psi"})
    driver = make_driver(the_rig, "test rig")
    driver.lay_in(quick(), load_materials().get("PMMA"))
    driver.open()
    told = Outputs(clamp=Clamp.APPLY, expires_ns=2**62)
    fed = replace(told, supply_open=True, isolation_open=True, vent_open=False)
    for at_s, outputs in ((0.0, told), (4.0, fed), (8.0, replace(fed, clamp=Clamp.RELEASE))):
        driver.read(round(at_s * 1e9))
        assert driver.truth().film_intact == 1.0
        driver.write(wiring.image(outputs, the_rig), round(at_s * 1e9))
    driver.read(12_000_000_000)
    assert driver.truth().film_intact == 0.0
