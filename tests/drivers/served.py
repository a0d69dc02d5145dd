"""The simulated rig served by the command itself, in a process of its own."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType

ROOT = Path(__file__).parents[2]


def written(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def rig_text(port: Path) -> str:
    """The shipped rig on a serial line, at another port."""
    text = (ROOT / "configs" / "rigs" / "bench-serial.toml").read_text()
    assert 'port = "./board"' in text
    return text.replace('port = "./board"', f'port = "{port}"', 1)


class Served:
    """`imprint simulate --serial PATH` until left; `say` types to its simulated person."""

    def __init__(self, path: Path, rig: Path | str = "bench-instrumented") -> None:
        self.path = path
        self._rig = str(rig)
        self.lines: list[str] = []

    def __enter__(self) -> "Served":
        self.process = subprocess.Popen(
            [
                sys.executable, "-m", "sequencer.cli", "simulate", "--serial", str(self.path),
                "--rig", self._rig, "--seed", "1",
            ],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        threading.Thread(target=self._listen, daemon=True).start()
        self.wait_for("board on", 20.0)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(10.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise

    def say(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def wait_for(self, text: str, timeout_s: float) -> str:
        """Return the first line with this text in it."""
        until_s = time.monotonic() + timeout_s
        while time.monotonic() < until_s:
            for line in list(self.lines):
                if text in line:
                    return line
            assert self.process.poll() is None or text in "".join(self.lines), self.lines
            time.sleep(0.01)
        raise AssertionError(f"never said {text!r}: {self.lines}")

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip())
