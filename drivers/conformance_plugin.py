"""Options of the conformance suite: ``pytest -p drivers.conformance_plugin ...``."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the rig files that the suite asks for, and the bounds that it holds a driver to."""
    group = parser.getgroup("driver conformance")
    group.addoption("--rig", metavar="FILE", help="a rig file, or a shipped one's name")
    group.addoption(
        "--dead-rig", metavar="FILE", help="a rig whose device does not answer, or is gone"
    )
    group.addoption(
        "--bad-rig", metavar="FILE", help="a rig with at least one bad and one good channel"
    )
    group.addoption(
        "--within",
        metavar="SECONDS",
        type=float,
        default=1.0,
        help="the driver's time-out, retries included (default: %(default)s)",
    )
