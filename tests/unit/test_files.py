"""Files that people write: every problem at once, each one line, as the person wrote it."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.config import Rig
from sequencer.errors import InputRefused
from sequencer.files import digest, find, load, read_toml, shipped, validate
from sequencer.recipe import Recipe


def recipe_tables() -> dict[str, dict[str, object]]:
    return tomllib.loads((shipped("recipes") / "pmma-grating.toml").read_text())


def lines_of(tables: dict[str, object], model: type = Recipe) -> list[str]:
    with pytest.raises(InputRefused) as refused:
        validate(tables, model, "it.toml")
    lines = [problem.line() for problem in refused.value.problems]
    assert all("\n" not in line for line in lines)
    return lines


BAD_IMPRINT = [
    ("hold", "-3 s", 'it.toml: imprint.hold = "-3 s": must be greater than 0; correct the value'),
    ("hold", "5 h", 'it.toml: imprint.hold = "5 h": must be at most 14400 s; correct the value'),
    ("soak", 30, "it.toml: imprint.soak = 30: has no unit; write a time with its unit, for "),
    ("soak", float("nan"), "it.toml: imprint.soak = nan: not a finite number; write a time "),
    ("soak", float("-inf"), "it.toml: imprint.soak = -inf: not a finite number; write a time "),
    ("temperature", "160 C", 'it.toml: imprint.temperature = "160 C": C is not a unit known here'),
    (
        "film_pressure",
        "160 degC",
        'it.toml: imprint.film_pressure = "160 degC": degC is a temperature; write a pressure ',
    ),
    ("film_presure", "3 psi", 'it.toml: imprint.film_presure = "3 psi": unknown key; did you mean'),
]


@pytest.mark.parametrize(("key", "value", "line"), BAD_IMPRINT)
def test_a_wrong_value_is_shown_as_written(key: str, value: object, line: str) -> None:
    tables = recipe_tables()
    tables["imprint"][key] = value
    (found,) = lines_of(tables)
    assert found.startswith(line)


def test_every_problem_comes_at_once() -> None:
    tables = recipe_tables()
    tables["imprint"].update(hold="-3 s", soak=30, film_pressure="160 degC", presure="3 psi")
    tables["stamp"].update(feature="slt", contact_fraction=1.5, name=3)
    del tables["stamp"]["width"]
    tables["foil"] = 3  # type: ignore[assignment]
    lines = lines_of(tables)
    assert len(lines) == 9
    assert "it.toml: stamp.width: is missing; add it" in lines
    assert "it.toml: foil = 3: must be a table; correct the value" in lines
    assert any("must be one of 'slot' or 'hole'" in line for line in lines)
    assert any("stamp.contact_fraction = 1.5: must be at most 1" in line for line in lines)
    assert any("stamp.name = 3: must be text in quotation marks" in line for line in lines)


def test_a_rigs_problems_name_the_channel() -> None:
    tables = tomllib.loads((shipped("rigs") / "bench-instrumented.toml").read_text())
    tables["inputs"]["film_pressure"]["scaling"]["low"] = "0 degC"
    tables["limits"]["purge_strokes"] = "12"
    tables["gauges"] = ["film", "flim"]
    lines = lines_of(tables, Rig)
    assert len(lines) == 3
    assert any('inputs.film_pressure.scaling.low = "0 degC": degC is a' in line for line in lines)
    assert any('limits.purge_strokes = "12": must be a whole number' in line for line in lines)
    assert any('gauges.1 = "flim": must be one of' in line for line in lines)


def test_another_format_is_refused() -> None:
    assert lines_of({**recipe_tables(), "format": 2}) == [
        "it.toml: format = 2: must be 1; this version reads 1"
    ]


def test_a_missing_file_offers_near_names() -> None:
    with pytest.raises(InputRefused, match="did you mean pmma-grating"):
        find("recipes", "pma-grating")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="is a folder, not a file"):
        find("recipes", str(tmp_path))


@pytest.mark.parametrize("content", [b"name = ", b"\xff\xfe", b"[a]\n[a]\n"])
def test_what_is_not_toml_is_refused_with_its_place(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(InputRefused, match="is not TOML"):
        read_toml(path)


@pytest.mark.parametrize("path", sorted(shipped("recipes").glob("*.toml")), ids=lambda p: p.stem)
def test_shipped_recipes_are_named_like_their_files(path: Path) -> None:
    assert load(path, Recipe).name == path.stem


def test_the_digest_follows_the_values_and_not_the_writing() -> None:
    tables = recipe_tables()
    first = digest(validate(tables, Recipe, "it.toml"))
    tables["imprint"]["hold"] = "180 s"
    assert digest(validate(tables, Recipe, "it.toml")) == first
    tables["imprint"]["hold"] = "181 s"
    assert digest(validate(tables, Recipe, "it.toml")) != first


tomlish = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**12), 10**12)
    | st.floats()
    | st.text('ab "é\n', max_size=4)
    | st.sampled_from(["120 psi", "160 degC", "slot", "1 mm"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["imprint", "hold", "stamp", "x"]), inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from([*Recipe.model_fields, "x"]), tomlish))
def test_whatever_stands_in_a_file_is_refused_in_lines(tables: dict[str, object]) -> None:
    with pytest.raises(InputRefused) as refused:
        validate(tables, Recipe, "it.toml")
    assert refused.value.problems
