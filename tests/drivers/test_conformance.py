"""The suite of the drivers run as an outside driver would run it, on both of ours."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.drivers.served import ROOT, Served, rig_text, written

pytestmark = pytest.mark.slow
BAD = '\n[[driver.options.faults]]\nkind = "sensor_bad"\nrole = "air_pressure"\n'
DEAD = '\n[[driver.options.faults]]\nkind = "link_lost"\n'


def suite(*arguments: str) -> str:
    done = subprocess.run(
        [
            sys.executable, "-m", "pytest", "-p", "drivers.conformance_plugin", "-p",
            "no:cacheprovider", "-rs", "-q", "--pyargs", "drivers.conformance", *arguments,
        ],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-1000:]
    return done.stdout


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def test_the_simulated_driver_conforms(folder: Path) -> None:
    bad = written(folder / "bad.toml", simulated(BAD))
    dead = written(folder / "dead.toml", simulated(DEAD))
    told = suite("--rig", "bench-instrumented", "--bad-rig", str(bad), "--dead-rig", str(dead))
    assert "15 passed, 1 skipped" in told, told
    assert "write_log" in told


def test_serial_lines_conforms_against_the_served_rig(folder: Path) -> None:
    with (
        Served(folder / "board") as good,
        Served(folder / "ill", written(folder / "ill.toml", simulated(BAD))) as ill,
    ):
        files = {
            "--rig": good.path,
            "--bad-rig": ill.path,
            "--dead-rig": folder / "nobody",
        }
        arguments = [
            part
            for option, port in files.items()
            for part in (option, str(written(folder / f"rig{option}.toml", rig_text(port))))
        ]
        told = suite(*arguments)
    assert "15 passed, 1 skipped" in told, told


def simulated(faults: str) -> str:
    text = (ROOT / "configs" / "rigs" / "bench-instrumented.toml").read_text()
    mark = 'pressure = "1900 psi"\n'
    assert mark in text
    return text.replace(mark, mark + faults, 1)


def test_the_template_package_conforms_when_installed(folder: Path) -> None:
    """As an outside driver: found by its entry point, the order of writes checked as well."""
    template = ROOT / "docs" / "driver-template"
    info = folder / "site" / "my_rig-0.1.0.dist-info"
    info.mkdir(parents=True)
    entry = "[sequencer.drivers]\nmy_rig = my_rig.driver:create\n"
    assert 'my_rig = "my_rig.driver:create"' in (template / "pyproject.toml").read_text()
    written(info / "entry_points.txt", entry)
    written(info / "METADATA", "Metadata-Version: 2.1\nName: my-rig\nVersion: 0.1.0\n")
    shutil.copytree(template / "src" / "my_rig", folder / "site" / "my_rig")
    shutil.copy(template / "tests" / "test_my_rig.py", folder)
    text = (ROOT / "configs" / "rigs" / "bench-instrumented.toml").read_text()
    head, _, rest = text.partition("[driver]")
    rest = rest[rest.index("[outputs") :]
    for name, options in (
        ("rig", ""),
        ("bad", 'options.broken = ["air"]\n'),
        ("dead", 'options.address = "elsewhere"\n'),
    ):
        driver = f'[driver]\nname = "my_rig"\n{options}\n'
        written(folder / f"{name}.toml", head + driver + rest)
    done = subprocess.run(
        [
            sys.executable, "-m", "pytest", "-p", "drivers.conformance_plugin", "-p",
            "no:cacheprovider", "-q", "test_my_rig.py", "--rig", "rig.toml", "--bad-rig",
            "bad.toml", "--dead-rig", "dead.toml",
        ],
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": f"{folder / 'site'}{os.pathsep}{ROOT}"},
    )  # fmt: skip
    assert "16 passed" in done.stdout, done.stdout[-4000:] + done.stderr[-1000:]
