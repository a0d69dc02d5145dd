"""The command ``imprint``: arguments, and the one place where errors become lines and a code.

Exit codes: 0 complete; 1 the run ended otherwise or could not start; 2 the input was refused;
3 the rig could not be reached; 130 interrupted, after the safe ending. Data goes to stdout, talk to
stderr. Only argparse is imported here, so that ``--help`` answers at once; a command's own module
is imported when it is called.
"""

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module

from sequencer.codes import ENDED_OTHERWISE, INTERRUPTED, NOT_REACHED, REFUSED


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    given = _parser().parse_args(arguments)
    command = f"sequencer.commands.{given.command.replace('-', '_')}"
    try:
        code: int = import_module(command).main(given)
        sys.stdout.flush()
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone; nothing more can be said to it, at exit either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return ENDED_OTHERWISE
    except Exception as error:
        return _failed(error, as_json=given.json)
    return code


def _failed(error: Exception, *, as_json: bool) -> int:
    """Tell a person, or with ``--json`` a program, what went wrong; return the exit code."""
    from sequencer import errors

    if not isinstance(error, errors.SequencerError):
        problems = [errors.Problem("", "", "", _bug(error), "")]
        code = ENDED_OTHERWISE
    elif isinstance(error, errors.InputRefused):
        problems = list(error.problems)
        code = REFUSED
    else:
        reasons = error.reasons if isinstance(error, errors.NotStarted) else (str(error),)
        problems = [errors.Problem("", "", "", reason, "") for reason in reasons]
        code = NOT_REACHED if isinstance(error, errors.DriverError) else ENDED_OTHERWISE
    if as_json:
        from sequencer.commands.document import print_document, refusal

        print_document(refusal(problems))
    else:
        for problem in problems:
            print(problem.line(), file=sys.stderr)
    return code


def _bug(error: Exception) -> str:
    """Keep the traceback of a fault of this program in a file and return one line about it."""
    import tempfile
    import traceback

    with tempfile.NamedTemporaryFile(
        "w", prefix="imprint-error-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        traceback.print_exception(error, file=file)
    return f"internal error ({type(error).__name__}), please report it with the file {file.name}"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="imprint",
        description="Sequencer for a thermal imprint press. Not a safety system.",
        epilog=_examples(
            "imprint check pmma-grating",
            "imprint dry-run pmma-grating --rig bench-instrumented",
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for add in (_check, _dry_run, _run, _purge, _replay, _simulate, _drill, _explore):
        add(commands)
    return parser


class _Version(argparse.Action):
    """Print the version; looked up only when asked, because the look-up takes time."""

    def __init__(self, option_strings: Sequence[str], dest: str, help: str) -> None:
        super().__init__(option_strings, dest, nargs=0, help=help)

    def __call__(self, parser: argparse.ArgumentParser, *_: object, **__: object) -> None:
        from importlib import metadata

        try:
            version = metadata.version("imprint-sequencer")
        except metadata.PackageNotFoundError:
            version = "not installed, run from its source"
        print(f"imprint {version}")
        parser.exit()


Commands = argparse._SubParsersAction  # argparse gives its sub-parsers no public name


def _check(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "check",
        "check a recipe on a rig: every problem at once, margins, and what the rig does not watch",
        "imprint check pmma-grating",
        "imprint check my-recipe.toml --rig bench-gauges --json",
    )
    _recipe(command)
    _rig(command)


def _dry_run(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "dry-run",
        "predict a cycle: the same sequencer on the simulated rig, in virtual time",
        "imprint dry-run pmma-grating",
        "imprint dry-run pmma-grating --rig bench-instrumented --plot run.png",
    )
    _recipe(command)
    _rig(command)
    _seed(command)
    command.add_argument("--plot", metavar="FILE", help="draw the run into a picture file")
    command.add_argument("--record", action="store_true", help="keep a record of the dry-run")
    _records(command)
    command.add_argument(
        "--every-tick", action="store_true", help="never stretch the tick, even in calm steps"
    )


def _run(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "run",
        "run one automated cycle and record it",
        'imprint run pmma-grating --sample "foil 12"',
        "imprint run coc-riblet --rig bench-gauges --speed 20 --yes",
    )
    _recipe(command)
    _rig(command)
    command.add_argument("--sample", metavar="ID", default="", help="label of the sample")
    _live(command)


def _purge(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "purge",
        "bleed both gas lines at the end of the day, with the person's part prompted",
        "imprint purge",
        "imprint purge --rig bench-gauges --speed 20 --yes",
    )
    _rig(command)
    _live(command)


def _replay(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "replay",
        "feed a recorded run through the same core and name the first difference, if any",
        "imprint replay last",
        "imprint replay 20261125-1015 --json",
    )
    command.add_argument(
        "run", metavar="RUN", help="a run's identifier, its unique beginning, or last"
    )
    _records(command)


def _simulate(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "simulate",
        "serve the simulated rig in real time as a board on a serial line, until Ctrl-C",
        "imprint simulate --serial ./board",
        "imprint simulate --serial ./board --rig bench-gauges --seed 7",
    )
    command.add_argument(
        "--serial", metavar="PATH", required=True, help="where the board's port is to appear"
    )
    _rig(command)
    _seed(command)


def _drill(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "drill",
        "rehearse a fault on the simulated rig, and hear afterwards what it was",
        "imprint drill list",
        "imprint drill film-leak --speed 20",
        "imprint drill emergency-stop/venting --speed 50 --yes",
    )
    command.add_argument(
        "scenario",
        metavar="SCENARIO",
        help="a scenario file, a shipped one's name, or list; of several parts one is drawn, "
        "unless it is named behind a slash",
    )
    _rig(command)
    command.add_argument(
        "--recipe", metavar="RECIPE", help="a recipe other than the one the scenario names"
    )
    _speed(command)
    _seed(command)
    command.add_argument("--yes", action="store_true", help="let the simulated person answer")


def _explore(commands: "Commands[argparse.ArgumentParser]") -> None:
    command = _command(
        commands,
        "explore",
        "search everything the cycle can come to, fault by fault, for a violated invariant",
        "imprint explore",
        "imprint explore --case isolated --json",
    )
    command.add_argument(
        "--case", metavar="CASE", action="append", default=[], help="search only this rig (again)"
    )
    command.add_argument(
        "--doubles", action="store_true", help="search pairs of lasting faults too; takes hours"
    )
    command.add_argument(
        "--states",
        metavar="N",
        type=int,
        default=0,
        help="end each share at N states (default: never)",
    )
    command.add_argument(
        "--processes", metavar="N", type=int, default=0, help="share the work among N processes"
    )


def _command(
    commands: "Commands[argparse.ArgumentParser]", name: str, does: str, *examples: str
) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(
        name,
        help=does,
        description=f"{does[0].upper()}{does[1:]}.",
        epilog=_examples(*examples),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_argument("--json", action="store_true", help="print one document, nothing else")
    return command


def _examples(*lines: str) -> str:
    return "examples:\n" + "\n".join(f"  {line}" for line in lines)


def _recipe(command: argparse.ArgumentParser) -> None:
    command.add_argument("recipe", metavar="RECIPE", help="a recipe file, or a shipped one's name")


def _rig(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--rig",
        metavar="RIG",
        default="bench-instrumented",
        help="a rig file, or a shipped one's name (default: %(default)s)",
    )


def _seed(command: argparse.ArgumentParser) -> None:
    command.add_argument("--seed", metavar="N", type=int, help="seed of the simulated rig's noise")


def _records(command: argparse.ArgumentParser) -> None:
    command.add_argument("--records", metavar="PATH", help="the database of records")


def _speed(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--speed",
        metavar="X",
        type=_at_least(0.1),
        default=1.0,
        help="let a simulated rig's time pass X times faster",
    )


def _live(command: argparse.ArgumentParser) -> None:
    _speed(command)
    _seed(command)
    command.add_argument(
        "--yes", action="store_true", help="let a simulated person answer; never a real rig's"
    )
    _records(command)
    command.add_argument("--log", metavar="FILE", help="append a service log of JSON lines")
    command.add_argument(
        "--publish",
        metavar="ADDRESS",
        help="where to publish the live events: loopback or ipc, or none "
        "(default: tcp://127.0.0.1:5870)",
    )


def _at_least(low: float) -> Callable[[str], float]:
    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number") from None
        if not low <= value < float("inf"):
            raise argparse.ArgumentTypeError(f"must be a finite number, at least {low:g}")
        return value

    return number


if __name__ == "__main__":
    sys.exit(main())
