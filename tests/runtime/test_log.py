"""The service log: JSON lines of events, the link told once when lost and once when back."""

import json
from pathlib import Path

import pytest

from sequencer.errors import InputRefused
from sequencer.events import Noted, Step
from sequencer.model import CycleStep, Estimate, Host, Inputs, Outputs, ProceduralState
from sequencer.runtime.log import LogEvents, open_log


def _step(*events: Noted) -> Step:
    return Step(Outputs(), events, Estimate(), CycleStep.IDLE, "rest", ProceduralState.IDLE)


def test_events_and_link_changes_become_json_lines(tmp_path: Path) -> None:
    log, file = open_log(tmp_path / "service.log")
    sink = LogEvents(log, "run-1")
    lost = Inputs((), host=Host(link_ok=False))
    sink(1, Inputs(()), _step(Noted("hello")))
    sink(2, lost, _step())
    sink(3, lost, _step())
    sink(4, Inputs(()), _step())
    file.close()
    lines = [json.loads(line) for line in (tmp_path / "service.log").read_text().splitlines()]
    assert [line["event"] for line in lines] == ["noted", "link_lost", "link_back"]
    assert lines[0]["text"] == "hello"
    assert lines[0]["run_id"] == "run-1"
    assert lines[0]["t_ns"] == 1
    assert lines[0]["timestamp"].endswith("Z")


def test_a_log_that_cannot_be_written_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="--log"):
        open_log(tmp_path / "no such folder" / "service.log")
