"""What drops the outputs when nobody writes them any more, from the core's pulse to the gas."""

import dataclasses

import pytest

from sequencer.config import Output, Rig
from sequencer.events import Step
from sequencer.material import load_materials
from sequencer.model import Clamp, Inputs, Outputs
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.session import Job, Session
from sequencer.units import PSI_Pa, ns
from simulator.driver import SimulatedDriver
from simulator.press import piston_home
from tests.runs.bench import attended, hot, quick, rig, run
from tests.simulator.cranked import Cranked, cranked

PRESSED = Outputs(
    clamp=Clamp.APPLY, supply_open=True, isolation_open=True, vent_open=False, heater_on=True
)
READY = {"start": {"regulator": "180 psi", "clamp": "closed"}}


def with_relay(base: Rig, **timing: float) -> Rig:
    outputs = {**base.outputs, "watchdog": Output(channel="watchdog")}
    times = base.timing.model_copy(update=timing)
    return base.model_copy(
        update={"outputs": outputs, "dead_man": "watchdog_relay", "timing": times}
    )


def relayed() -> Cranked:
    base = cranked(READY).rig
    return Cranked(with_relay(base), dict(READY))


def pulse(rig: Cranked, time_s: float, outputs: Outputs = PRESSED) -> Outputs:
    for _ in range(round(time_s / 0.25)):
        outputs = dataclasses.replace(outputs, watchdog_on=not outputs.watchdog_on)
        rig.run(0.25, outputs)
    return outputs


def test_the_relay_stands_open_until_the_first_pulse() -> None:
    rig = relayed()
    assert rig.run(3.0, PRESSED).film_Pa < 1 * PSI_Pa
    pulse(rig, 3.0)
    assert rig.driver.truth().film_Pa > 170 * PSI_Pa


@pytest.mark.parametrize("level", [True, False])
def test_a_steady_level_opens_it_after_its_time_though_images_come(level: bool) -> None:
    rig = relayed()
    last = dataclasses.replace(pulse(rig, 3.0), watchdog_on=level)
    rig.run(0.7, last)
    assert rig.driver.truth().film_Pa > 170 * PSI_Pa
    truth = rig.run(6.0, last)
    assert truth.film_Pa < 1 * PSI_Pa
    assert truth.piston_m == pytest.approx(0.05, rel=1e-2)  # the clamp is not on the relay
    assert truth.cylinder_Pa > 60 * PSI_Pa


def test_heat_is_dropped_with_the_gas() -> None:
    cold, warm = relayed(), relayed()
    for served, pulses in ((cold, False), (warm, True)):
        last = dataclasses.replace(pulse(served, 2.0), heater_setpoint_degC=150.0)
        if pulses:
            pulse(served, 60.0, last)
        else:
            served.run(60.0, last)
    assert warm.driver.truth().head_degC > cold.driver.truth().head_degC + 3.0


class Killed(BaseException):
    """The process is gone."""


def test_a_process_killed_in_the_dwell_leaves_an_empty_film_under_a_held_clamp() -> None:
    killed_ns: list[int] = []

    def kill(now_ns: int, inputs: Inputs, step: Step) -> None:
        if step.step.value == "holding":
            killed_ns.append(now_ns)
            raise Killed

    the_recipe = quick()
    material = load_materials().get(the_recipe.material)
    job = Job("run", with_relay(hot()), "test rig", the_recipe, material)
    session = Session(job, VirtualClock(), attended, live=False, keep=False, long_ticks=True)
    with pytest.raises(Killed):
        session.run([kill])
    driver = session.driver
    assert isinstance(driver, SimulatedDriver)
    driver.open()  # only to look on: nothing is written any more
    driver.read(killed_ns[0] + ns(0.5))
    assert driver.truth().film_Pa > 100 * PSI_Pa
    driver.read(killed_ns[0] + ns(8.0))
    truth = driver.truth()
    assert truth.film_Pa < 1 * PSI_Pa
    assert truth.film_intact == 1.0
    assert piston_home(truth.piston_m, driver.bench().params)
    assert driver.bench().actuation.heater_enable == 0.0


def test_a_whole_run_keeps_the_relay_closed() -> None:
    done = run(with_relay(hot()), quick())
    assert done.document["outcome"] == "complete"
    assert done.raised == []


def test_a_run_with_long_ticks_keeps_a_quick_relay_closed() -> None:
    done = run(with_relay(hot(), watchdog_drops_after_s=0.6), quick(), long_ticks=True)
    assert done.document["outcome"] == "complete"


def test_a_rig_with_no_dead_man_stays_under_the_low_cap_from_file_to_run() -> None:
    bare = hot().model_copy(update={"dead_man": "none"})
    cap_Pa = rig().caps.no_dead_man_Pa
    refused = run(bare, quick())
    assert refused.document["outcome"] == "refused"
    assert any("above this rig's 60 psi" in line for line in refused.document["problems"])
    assert not refused.supply_opened
    low = quick().model_copy(
        update={"imprint": quick().imprint.model_copy(update={"film_pressure_Pa": cap_Pa})}
    )
    done = run(bare, low)
    assert done.document["outcome"] == "complete"
    assert done.truth.film_peak_Pa <= cap_Pa + bare.limits.film_over_Pa
