"""The suite taken in, with what reached the device told, so that the order of writes is checked."""

import pytest
from my_rig.driver import DEVICES

from drivers.conformance import *  # noqa: F403


@pytest.fixture
def write_log():
    """Return what tells the order in which outputs reached the device."""
    device = DEVICES["here"]

    def since_last():
        heard = list(device.log)
        device.log.clear()
        return heard

    return since_last
