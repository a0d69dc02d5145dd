"""The command line from outside: exit codes, streams, one line per problem, quick help."""

import argparse
import json
import subprocess
import sys
import types
from pathlib import Path

import pytest

from sequencer import cli, errors
from sequencer.check import DEFAULT_RIG
from sequencer.files import shipped

ROOT = Path(__file__).parents[2]
COMMANDS = ("check", "dry-run", "run", "purge", "replay", "simulate")
HEAVY = ("pydantic", "pint", "rich", "zmq", "structlog", "transitions", "matplotlib", "numpy")


def imprint(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sequencer.cli", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )


def recipe_file(folder: Path, *changes: tuple[str, str]) -> str:
    return changed(folder, shipped("recipes") / "pmma-grating.toml", changes)


def rig_file(folder: Path, *changes: tuple[str, str]) -> str:
    return changed(folder, shipped("rigs") / "bench-instrumented.toml", changes)


def changed(folder: Path, source: Path, changes: tuple[tuple[str, str], ...]) -> str:
    text = source.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / source.name
    path.write_text(text)
    return str(path)


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[str]:
    assert cli.main(arguments) == 2
    return capsys.readouterr().err.splitlines()


BAD_RECIPES = [
    (('soak = "60 s"', 'soak = "60 s"\nsoka = 3'), "imprint.soka = 3: unknown key; did you mean"),
    (('"180 psi"', '"180 furlong"'), 'film_pressure = "180 furlong": furlong is a length'),
    (('"180 psi"', "180"), "imprint.film_pressure = 180: has no unit"),
    (('"180 psi"', "nan"), "imprint.film_pressure = nan: not a finite number"),
    (('"3 min"', '"-3 s"'), 'imprint.hold = "-3 s": must be greater than 0'),
    (('"180 psi"', '"160 degC"'), 'imprint.film_pressure = "160 degC": degC is a temperature'),
    (('"180 psi"', '"320 psi"'), "film_pressure = 320 psi (2206 kPa): above the rig's limits"),
    (('"PMMA"', '"PNMA"'), 'material = "PNMA": no such material in the table; did you mean PMMA'),
    (("[stamp]", "[stamp"), "is not TOML"),
]


@pytest.mark.parametrize(("change", "says"), BAD_RECIPES, ids=[row[1] for row in BAD_RECIPES])
def test_a_bad_recipe_is_refused_in_lines(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str], says: str
) -> None:
    lines = refused(capsys, "check", recipe_file(tmp_path, change))
    assert says in lines[0]
    assert all(line.startswith(str(tmp_path)) for line in lines)


def test_all_that_is_wrong_comes_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recipe = recipe_file(
        tmp_path,
        ('"3 min"', '"-3 s"'),
        ('"180 psi"', "180"),
        ('"160 degC"', '"160 psi"'),
        ("thickness", "thikness"),
    )
    lines = refused(capsys, "check", recipe, "--rig", "bench-nowhere")
    assert len(lines) == 6  # one of them for thickness, which is now missing


def test_a_rig_without_the_safe_order_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = rig_file(tmp_path, ('de_energised = "open"', 'de_energised = "shut"'))
    (line,) = refused(capsys, "check", "pmma-grating", "--rig", rig)
    assert 'outputs.film_vent.de_energised = "shut": must be "open"' in line


def test_an_unknown_driver_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sequencer.check.back_ends", lambda: ("simulated",))
    rig = rig_file(tmp_path, ('name = "simulated"', 'name = "simulatde"'))
    (line,) = refused(capsys, "check", "pmma-grating", "--rig", rig)
    assert 'driver.name = "simulatde": no such back end is installed; did you mean sim' in line


@pytest.mark.parametrize(("given", "says"), [("nowhere.toml", "no such file"), (".", "a folder")])
def test_what_is_no_file_is_refused(
    given: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (line,) = refused(capsys, "check", given)
    assert says in line


def test_a_refusal_as_json_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "nowhere", "--rig", "nowhere", "--json"]) == 2
    said = capsys.readouterr()
    document = json.loads(said.out)
    assert document["outcome"] == "refused"
    assert len(document["problems"]) == 2
    assert said.err == ""


def test_check_as_json_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["check", "pmma-grating", "--json"]) == 0
    said = capsys.readouterr()
    document = json.loads(said.out)
    assert document["outcome"] == "may run"
    assert document["verified"] == "measured"
    assert document["margins"]["clamp_margin"] > 1.5
    assert {"what", "why", "watched_by"} == set(document["unwatched"][0])
    assert said.err == ""
    assert cli.main(["check", "pmma-grating", "--rig", "bench-gauges", "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert document["outcome"] == "refused"
    assert document["problems"][0]["key"] == "imprint.film_pressure"
    assert document["film_cap_Pa"] == pytest.approx(150 * 6894.757, rel=1e-6)


def test_check_for_a_person_shows_margins_and_what_is_not_watched(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert cli.main(["check", "pmma-grating-low", "--rig", "bench-by-ear"]) == 0
    said = capsys.readouterr()
    for word in ("clamp margin", "reaction", "45 ms", "What this rig does not watch", "by ear"):
        assert word in said.out
    assert "\x1b" not in said.out
    assert said.err == ""


def test_nothing_is_cut_from_the_plain_tables(capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["check", "pei-grating"])
    out = capsys.readouterr().out
    assert all(len(line) <= 3 * 44 + 4 for line in out.splitlines())
    words = " ".join(out.split())
    assert "extrapolated" in words
    assert "guard and emergency stop in hardware" in words


# --- errors become codes --------------------------------------------------------------------------

OUTCOMES = [
    (errors.InputRefused(errors.Problem("a.toml", "b", "1", "is wrong", "mend it")), 2),
    (errors.NotStarted("the guard is open", "the film is not bled"), 1),
    (errors.RecordError("no such run"), 1),
    (errors.CoreFault("contradiction"), 1),
    (errors.LinkLost("no answer"), 3),
    (errors.LinkTimeout("no answer"), 3),
    (errors.DriverUnavailable("needs a package"), 3),
    (KeyboardInterrupt(), 130),
    (ZeroDivisionError("oops"), 1),
    (ImportError("oops"), 1),
]


def failing(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def main(arguments: argparse.Namespace) -> int:
        raise error

    module = types.SimpleNamespace(main=main)
    monkeypatch.setattr(cli, "import_module", lambda name: module)


@pytest.mark.parametrize(("error", "code"), OUTCOMES, ids=lambda v: type(v).__name__)
def test_errors_become_lines_and_a_code(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    error: BaseException,
    code: int,
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    failing(monkeypatch, error)
    assert cli.main(["check", "x"]) == code
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.strip()
    assert "Traceback" not in said.err
    assert not any(line.startswith(":") for line in said.err.splitlines())


def test_every_reason_for_not_starting_is_a_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    failing(monkeypatch, errors.NotStarted("the guard is open", "the film is not bled"))
    cli.main(["run", "x"])
    assert capsys.readouterr().err.splitlines() == ["the guard is open", "the film is not bled"]
    cli.main(["run", "x", "--json"])
    document = json.loads(capsys.readouterr().out)
    assert [problem["limit"] for problem in document["problems"]] == [
        "the guard is open",
        "the film is not bled",
    ]


def test_a_bug_leaves_its_traceback_in_a_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    failing(monkeypatch, ZeroDivisionError("oops"))
    assert cli.main(["check", "x"]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    (kept,) = tmp_path.iterdir()
    assert line.startswith("internal error (ZeroDivisionError), please report")
    assert line.endswith(str(kept))
    assert "ZeroDivisionError: oops" in kept.read_text()


# --- from outside ---------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_two_examples(command: str) -> None:
    done = imprint(command, "--help")
    assert done.returncode == 0
    examples = done.stdout.partition("examples:\n")[2].splitlines()
    assert len(examples) == 2
    parser = cli._parser()
    for example in examples:
        import shlex

        assert parser.parse_args(shlex.split(example)[1:]).command == command


@pytest.mark.slow
def test_help_imports_nothing_heavy() -> None:
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "sequencer.cli", "--help"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=30,
        check=True,
    )
    imported = {
        line.rpartition("|")[2].strip().partition(".")[0] for line in done.stderr.splitlines()
    }
    assert "argparse" in imported
    assert not imported & set(HEAVY)


@pytest.mark.slow
@pytest.mark.parametrize(
    "arguments",
    [(), ("chek",), ("check",), ("run", "x", "--speed", "fast"), ("run", "x", "--speed", "nan")],
)
def test_wrong_usage_exits_with_2(arguments: tuple[str, ...]) -> None:
    done = imprint(*arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


@pytest.mark.slow
def test_a_reader_that_leaves_early_sees_no_traceback() -> None:
    command = f"{sys.executable} -m sequencer.cli check pei-grating | true"
    done = subprocess.run(
        command, shell=True, cwd=ROOT, capture_output=True, text=True, timeout=30, check=False
    )
    assert done.stderr == ""


@pytest.mark.slow
def test_the_version_is_told() -> None:
    done = imprint("--version")
    assert done.returncode == 0
    assert done.stdout.startswith("imprint ")


def test_the_default_rig_is_named_once_in_effect() -> None:
    for command in ("check", "dry-run", "run"):
        assert cli._parser().parse_args([command, "x"]).rig == DEFAULT_RIG
    assert cli._parser().parse_args(["purge"]).rig == DEFAULT_RIG


def test_every_command_has_its_arguments() -> None:
    parse = cli._parser().parse_args
    dry = parse(["dry-run", "x", "--seed", "3", "--plot", "a.png", "--record", "--every-tick"])
    assert (dry.seed, dry.plot, dry.record, dry.every_tick, dry.json) == (
        3,
        "a.png",
        True,
        True,
        False,
    )
    run = parse(["run", "x", "--sample", "s", "--speed", "2.5", "--yes", "--publish", "ipc://a"])
    assert (run.sample, run.speed, run.yes, run.publish, run.seed) == (
        "s",
        2.5,
        True,
        "ipc://a",
        None,
    )
    purge = parse(["purge", "--records", "r.db", "--json"])
    assert (purge.records, purge.json, purge.speed, purge.yes) == ("r.db", True, 1.0, False)
    assert parse(["replay", "last", "--records", "r.db"]).run == "last"
