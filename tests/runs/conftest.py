"""What every whole run of this folder has in common."""

import pytest

from sequencer.runtime import session


@pytest.fixture(autouse=True)
def _little_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """An unconfirmed vent is watched for a minute only, of ten: there is nothing new to see."""
    monkeypatch.setattr(session, "PATIENCE_s", 60.0)
