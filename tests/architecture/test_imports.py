"""Who may import whom: the contracts beside this file, and what import-linter cannot say."""

import ast
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).parents[2]
PACKAGES = ("sequencer", "drivers", "simulator")
SOURCES = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]
CORE = sorted((ROOT / "sequencer" / "core").glob("*.py"))
NOT_IN_THE_CORE = {
    "time", "asyncio", "socket", "threading", "logging", "zmq", "sqlite3", "structlog", "random",
    "datetime", "os", "subprocess", "multiprocessing",
}  # fmt: skip


def imported(path: Path) -> set[str]:
    """Every module that a file imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


def test_the_contracts_hold(capsys, monkeypatch):
    monkeypatch.chdir(ROOT)
    broken = lint_imports(
        config_filename=str(Path(__file__).with_name("contracts.ini")), no_cache=True
    )
    assert not broken, capsys.readouterr().out


@pytest.mark.parametrize("path", CORE, ids=lambda path: path.stem)
def test_the_core_imports_nothing_that_knows_the_world(path):
    roots = {module.split(".")[0] for module in imported(path)}
    assert not roots & NOT_IN_THE_CORE


def test_the_state_machine_library_has_one_user():
    users = [p.relative_to(ROOT).as_posix() for p in SOURCES if "transitions" in imported(p)]
    assert users == ["sequencer/core/cycle.py"]


def test_structlog_is_configured_in_one_place():
    users = [
        p.relative_to(ROOT).as_posix() for p in SOURCES if "structlog.configure(" in p.read_text()
    ]
    assert len(users) <= 1


@pytest.mark.parametrize("path", CORE, ids=lambda path: path.stem)
def test_the_core_keeps_no_state_of_its_own(path):
    """No module of the core assigns to a global, and none holds a bare list, dict or set."""
    tree = ast.parse(path.read_text())
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.Global)]
    for node in tree.body:
        if isinstance(node, ast.Assign):
            name = ast.unparse(node.targets[0])
            assert not isinstance(node.value, (ast.List, ast.Set)), name


@pytest.mark.parametrize("package", PACKAGES)
def test_package_files_are_empty(package):
    for path in (ROOT / package).rglob("__init__.py"):
        assert path.read_text() == "", path


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_file_is_longer_than_450_lines(path):
    assert len(path.read_text().splitlines()) <= 450


def test_nothing_above_the_back_ends_asks_whether_the_rig_is_simulated():
    """No protection may depend on it; the commands may, to say so on the screen."""
    rooms = ("core", "runtime", "physics")
    for room in rooms:
        for path in (ROOT / "sequencer" / room).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, (ast.If, ast.IfExp)):
                    assert "simulated" not in ast.unparse(node.test), path
