"""The command `imprint` as a process of its own: started, watched line by line, typed to."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from sequencer.files import find

PATIENCE_s = 40.0
RIG_OPTIONS = """
[driver.options.start]
head_temperature = "159 degC"
[driver.options.head]
loss = "0.5 W/K"
cooled_loss = "100 W/K"
[driver.options.person]
handling = "4 s"
delay = "1.5 s"
"""


def write_files(folder: Path, extra: str = "") -> tuple[str, str]:
    """Write a rig found hot and a recipe with short waits; return their paths."""
    text = find("rigs", "bench-instrumented").read_text(encoding="utf-8")
    bottle = '[driver.options.bottle]\npressure = "1900 psi"\n'
    assert bottle in text
    rig = folder / "rig.toml"
    rig.write_text(text.replace(bottle, bottle + RIG_OPTIONS + extra), encoding="utf-8")
    text = find("recipes", "pmma-grating").read_text(encoding="utf-8")
    text = re.sub(r"^soak = .*$", 'soak = "5 s"', text, flags=re.MULTILINE)
    text = re.sub(r"^soak_under_clamp = .*$", 'soak_under_clamp = "5 s"', text, flags=re.MULTILINE)
    text = re.sub(r"^hold = .*$", 'hold = "20 s"', text, flags=re.MULTILINE)
    before, after = text.split("[demold]")
    after = re.sub(r"^temperature = .*$", 'temperature = "95 degC"', after, flags=re.MULTILINE)
    recipe = folder / "recipe.toml"
    recipe.write_text(before + "[demold]" + after, encoding="utf-8")
    return str(recipe), str(rig)


def live(
    folder: Path, *more: str, speed: float = 20, yes: bool = True, extra: str = ""
) -> list[str]:
    """The arguments of a short run whose record lies in the folder."""
    recipe, rig = write_files(folder, extra)
    asked = ["--yes"] if yes else []
    publish = [] if "--publish" in more else ["--publish", "none"]
    return ["run", recipe, "--rig", rig, "--speed", str(speed), *asked, *publish,
            "--records", str(folder / "records.db"), *more]  # fmt: skip


class Imprint:
    """A running command; ``wait_for`` looks in what it has said on stderr, or on its terminal."""

    def __init__(
        self, arguments: Sequence[str], *, terminal: bool = False, no_color: bool = False
    ) -> None:
        environment = {key: value for key, value in os.environ.items() if key != "NO_COLOR"}
        environment |= {"TERM": "xterm-256color", "COLUMNS": "120"}
        if no_color:
            environment["NO_COLOR"] = "1"
        command = [sys.executable, "-m", "sequencer.cli", *arguments]
        self._typing = -1
        if terminal:
            self._typing, inner = pty.openpty()
            self.process = subprocess.Popen(
                command, stdin=inner, stdout=inner, stderr=inner, env=environment, close_fds=True
            )
            os.close(inner)
        else:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                env=environment,
            )  # fmt: skip
        self.out = self.said = ""
        self._read_to = 0
        self._threads = []
        if terminal:
            self._follow("said", self._typing)
        else:
            assert self.process.stdout is not None
            assert self.process.stderr is not None
            self._follow("out", self.process.stdout.fileno())
            self._follow("said", self.process.stderr.fileno())

    def _follow(self, name: str, handle: int) -> None:
        def follow() -> None:
            while True:
                ready, _, _ = select.select([handle], [], [], 0.1)
                if not ready:
                    if self.process.poll() is not None and self._typing >= 0:
                        return
                    continue
                try:
                    got = os.read(handle, 65536)
                except OSError:  # how a terminal says that its other end is gone
                    return
                if not got:
                    return
                setattr(self, name, getattr(self, name) + got.decode(errors="replace"))

        thread = threading.Thread(target=follow, daemon=True)
        thread.start()
        self._threads.append(thread)

    def wait_for(self, pattern: str) -> str:
        """Wait until something new is said that matches, and return it."""
        until = time.monotonic() + PATIENCE_s
        while time.monotonic() < until:
            found = re.compile(pattern).search(self.said, self._read_to)
            if found:
                self._read_to = found.end()
                return found[0]
            if self.process.poll() is not None and not self._threads[-1].is_alive():
                break
            time.sleep(0.002)
        self.kill()
        raise AssertionError(f"never said {pattern!r}:\n{self.said[-3000:]}")

    def type(self, text: str) -> None:
        os.write(self._typing, text.encode() + b"\n")

    def send(self, number: int = signal.SIGINT) -> None:
        self.process.send_signal(number)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(PATIENCE_s)

    def end(self) -> int:
        """Wait for its end and return its exit code."""
        try:
            code = self.process.wait(PATIENCE_s)
        except subprocess.TimeoutExpired:
            self.kill()
            raise AssertionError(f"did not end:\n{self.said[-3000:]}") from None
        for thread in self._threads:
            thread.join(5.0)
        return code
