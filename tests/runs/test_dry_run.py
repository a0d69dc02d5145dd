"""`imprint dry-run`: every shipped recipe, the document, and the same result for the same seed."""

import json
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.files import find, load
from sequencer.model import Inputs, Outputs
from sequencer.recipe import Recipe
from sequencer.runtime.loop import LONG_TICK_ns
from sequencer.runtime.records import Records
from sequencer.units import PSI_Pa
from tests.runs.bench import CYCLE, quick, rig, run

RECIPES = sorted(path.stem for path in find("recipes", "pmma-grating").parent.glob("*.toml"))
KEYS = {
    "schema", "run_id", "outcome", "verified", "duration_s", "steps", "gas_used_g", "cycles_left",
    "peak_film_pressure_kPa", "peak_head_temperature_degC", "min_clamp_margin", "min_film_margin",
    "fill_fraction", "alarms", "warnings", "problems", "recipe_digest", "rig_digest",
    "limits_the_result",
}  # fmt: skip


def dry_run(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict:
    code = main(["dry-run", *arguments, "--json"])
    out = capsys.readouterr().out
    document = json.loads(out)
    assert code == (0 if document["outcome"] == "complete" else 1)
    return document


def steps_of(document: dict) -> list[str]:
    return [step["step"] for step in document["steps"]]


def test_the_shipped_recipes_are_these() -> None:
    materials = {load(find("recipes", name), Recipe).material for name in RECIPES}
    assert materials == {"PMMA", "PC", "COC", "PSU", "PEI"}


@pytest.mark.parametrize("name", RECIPES)
def test_every_shipped_recipe_completes_on_measured_evidence(name: str) -> None:
    recipe = load(find("recipes", name), Recipe)
    done = run(rig(), recipe, kind="dry-run")
    document = done.document
    assert (document["outcome"], document["verified"]) == ("complete", "measured")
    assert steps_of(document) == CYCLE
    assert document.keys() == KEYS
    assert document["fill_fraction"] > 0.9
    assert document["alarms"] == document["problems"] == []
    assert done.broken == []
    assert done.truth.film_intact == 1.0
    assert done.least_true_margin >= rig().limits.clamp_permit
    asked_kPa = recipe.imprint.film_pressure_Pa / 1e3
    assert document["peak_film_pressure_kPa"] == pytest.approx(asked_kPa, rel=0.06)
    hot_degC = recipe.imprint.temperature_degC
    assert document["peak_head_temperature_degC"] == pytest.approx(hot_degC, abs=4.0)
    proven = [item["evidence"] for step in document["steps"] for item in step["evidence"]]
    order = ["head_at_temperature", "clamp_full", "film_at_pressure", "film_bled", "clamp_open"]
    last = [len(proven) - 1 - proven[::-1].index(name) for name in order]
    assert last == sorted(last), proven


@pytest.mark.parametrize("name", RECIPES)
def test_the_shipped_pressures_are_those_of_the_trade(name: str) -> None:
    # 60 to 300 psi for stamping, polyetherimide near 250 degC: common practice, no source.
    recipe = load(find("recipes", name), Recipe)
    assert 60 * PSI_Pa * 0.999 <= recipe.imprint.film_pressure_Pa <= 300 * PSI_Pa * 1.001
    if recipe.material == "PEI":
        assert recipe.imprint.temperature_degC == pytest.approx(250.0, abs=10.0)


@pytest.mark.parametrize("name", ["bench-instrumented", "bench-gauges", "bench-by-ear"])
def test_the_bottle_is_changed_where_the_trade_changes_it(name: str) -> None:
    # About 500 psi: common practice, no source.
    assert rig(name).limits.bottle_change_out_Pa == pytest.approx(500 * PSI_Pa, rel=0.05)


def inputs_of(path: Path) -> list[tuple[int, tuple, Outputs]]:
    records = Records(path)
    run_id = records.find("last").run_id
    found = [(at, _plain(given), outputs) for at, given, outputs in records.scans(run_id)]
    records.close()
    return found


def _plain(given: Inputs) -> tuple:
    said = tuple((request.kind, request.prompt_id, request.value) for request in given.requests)
    return given.raw, given.read_back, said, given.host


def test_the_same_seed_gives_the_same_bits_and_another_seed_others(tmp_path: Path) -> None:
    documents, scans = [], []
    for place, seed in enumerate((7, 7, 8)):
        path = tmp_path / f"{place}.db"
        document = run(seed=seed, records=path, kind="dry-run").document
        documents.append({**document, "run_id": ""})
        scans.append(inputs_of(path))
    assert documents[0] == documents[1]
    assert scans[0] == scans[1]
    assert documents[0] != documents[2]
    assert scans[0] != scans[2]


def test_the_command_gives_the_same_document_for_the_same_seed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    first, again = (dry_run(capsys, "pmma-grating", "--seed", "3") for _ in range(2))
    assert first.pop("run_id") != again.pop("run_id")
    assert first == again


def test_every_tick_and_long_ticks_take_the_same_steps() -> None:
    """Times agree to two long ticks and what the person's pace adds to that.

    A stretched tick may see the end of each calm wait (four before the dwell) one long tick late,
    and with it every noise sample is another; so a settling wait may differ by a little more.
    """
    long, short = (run(the_recipe=quick(), long_ticks=long) for long in (True, False))
    assert steps_of(long.document) == steps_of(short.document) == CYCLE
    tolerance_s = 6 * LONG_TICK_ns / 1e9
    for one, other in zip(long.document["steps"], short.document["steps"], strict=True):
        took, took_short = (step["left_s"] - step["entered_s"] for step in (one, other))
        assert took == pytest.approx(took_short, abs=tolerance_s), one["step"]
    peaks = [done.document["peak_film_pressure_kPa"] for done in (long, short)]
    assert peaks[0] == pytest.approx(peaks[1], rel=0.01)


@pytest.mark.parametrize(
    ("name", "verified"), [("bench-gauges", "operator"), ("bench-by-ear", "by_ear")]
)
def test_a_rig_with_few_instruments_runs_the_low_recipe(name: str, verified: str) -> None:
    done = run(rig(name), load(find("recipes", "pmma-grating-low"), Recipe))
    document = done.document
    assert (document["outcome"], document["verified"]) == ("complete", verified)
    assert steps_of(document) == CYCLE
    assert document["fill_fraction"] > 0.9
    assert document["peak_film_pressure_kPa"] is None
    assert any("film peak" in line for line in document["limits_the_result"])
    assert done.broken == []


@pytest.mark.parametrize("name", ["bench-gauges", "bench-by-ear"])
def test_a_rig_with_few_instruments_refuses_the_full_pressure(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for command in ("check", "dry-run", "run"):
        assert main([command, "pmma-grating", "--rig", name]) == 2
        err = capsys.readouterr().err
        assert "imprint.film_pressure" in err
        assert "psi" in err
        assert "Traceback" not in err


def test_the_terminal_shows_a_timeline_and_what_limits_the_result(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["dry-run", "pmma-grating"]) == 0
    out = capsys.readouterr().out
    # "dwell" on screens, because HOLDING means something else in ISA-88.
    places = [out.index(f"\n{'dwell' if step == 'holding' else step}") for step in CYCLE]
    assert places == sorted(places)
    assert "SIMULATION" in out
    assert "What limits this result" in out
