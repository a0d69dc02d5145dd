"""`imprint drill`: each shipped scenario ends as its file expects; a hot rig, a short recipe."""

import json
import re
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.files import load, shipped, validate
from sequencer.scenario import Scenario
from tests.runs.command import write_files

SCENARIOS = {
    path.stem: load(path, Scenario) for path in sorted(shipped("scenarios").glob("*.toml"))
}
PARTS = [f"{name}/{part.name}" for name, found in SCENARIOS.items() for part in found.parts]


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """A rig found hot and a recipe whose dwell is long enough for the faults in it."""
    recipe, rig = write_files(tmp_path)
    path = Path(recipe)
    path.write_text(re.sub(r'^hold = "20 s"$', 'hold = "35 s"', path.read_text(), flags=re.M))
    return ["--recipe", recipe, "--rig", rig]


def drill(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict]:
    code = main(["drill", *arguments, "--yes", "--json", "--speed", "1e6", "--seed", "3"])
    return code, json.loads(capsys.readouterr().out)


def test_the_drills_that_must_be_there_are() -> None:
    assert set(SCENARIOS) == {
        "house-air-lost-at-pressure", "film-leak", "bottle-low-in-dwell", "thermocouple-opens",
        "emergency-stop", "vent-blocked", "wrong-order-by-hand",
    }  # fmt: skip
    stopped = {part.name for part in SCENARIOS["emergency-stop"].parts}
    assert len(stopped) == 7


@pytest.mark.parametrize("part", PARTS)
def test_every_drill_ends_as_expected(
    part: str, files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, document = drill(capsys, part, *files)
    assert document["as_expected"], (document["expected"], document["happened"])
    assert code == 0
    assert document["part"] == part.split("/")[1]


def test_a_drill_that_ends_otherwise_says_so(
    tmp_path: Path, files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    text = (shipped("scenarios") / "film-leak.toml").read_text()
    path = tmp_path / "mine.toml"
    path.write_text(text.replace('rests = ["safe_clamped"]', 'rests = ["idle"]'))
    code, document = drill(capsys, str(path), *files)
    assert code == 1
    assert not document["as_expected"]


def test_it_is_told_afterwards_what_it_was(
    files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["drill", "film-leak/torn", *files, "--yes", "--speed", "1e6", "--seed", "3"]
    assert main(arguments) == 0
    shown = capsys.readouterr()
    for words in ("DRILL", "What happened", "What to look for", "What to do", "As expected."):
        assert words in shown.out
    assert "torn" not in shown.err, "while it runs nothing gives it away"


def test_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["drill", "list"]) == 0
    assert all(name in capsys.readouterr().out for name in [*SCENARIOS][:1])


@pytest.mark.parametrize(
    ("arguments", "said"),
    [(["film-lek"], "film-leak"), (["film-leak/holed"], "torn"),
     (["film-leak", "--rig", "bench-serial"], "simulated person")],
)  # fmt: skip
def test_what_cannot_be_drilled_is_refused(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["drill", *arguments, "--yes"]) == 2
    assert said in capsys.readouterr().err


def test_a_scenario_is_read_strictly() -> None:
    whole = {
        "format": 1, "name": "n", "title": "t", "happens": "h", "look_for": "l", "do": "d",
        "part": [{"rests": ["idle"], "requests": [{"kind": "strat", "at": "holding"}]}],
    }  # fmt: skip
    with pytest.raises(Exception, match="strat"):
        validate(whole, Scenario, "s.toml")
    whole["part"] = [{"rests": ["somewhere"]}]
    with pytest.raises(Exception, match="rests"):
        validate(whole, Scenario, "s.toml")
