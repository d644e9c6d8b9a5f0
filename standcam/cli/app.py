"""The program: assembles the commands and turns errors into one line and an exit code."""

from __future__ import annotations

import gc
import importlib
import io
import sys
from collections.abc import Iterable
from typing import Annotated, Any

import typer
from typer.core import TyperGroup


class _Program(TyperGroup):
    """Every command fails alike: one line on stderr, exit code 2."""

    def invoke(self, ctx: Any) -> Any:
        from standcam.errors import StandcamError

        try:
            return super().invoke(ctx)
        except StandcamError as error:
            _say(str(error))
            raise typer.Exit(2) from None
        except KeyboardInterrupt:
            _say("Stopped; no results were written.")
            raise typer.Exit(130) from None


def _say(text: str) -> None:
    line = " ".join(text.split()).encode("utf-8", "backslashreplace").decode("utf-8")
    typer.echo(f"standcam: {line}", err=True)


COMMANDS = (
    "survey", "count", "strip", "tape", "planter", "cost", "trial", "layout", "replant", "plan", "agree",
    "visits", "report", "review", "board", "lens", "scene", "bench",
)  # fmt: skip
"""Files of this package, each with a function ``register(app)`` that adds the command, or group, of its name."""


def _version(wanted: bool) -> None:
    if wanted:
        from standcam import __version__

        typer.echo(f"standcam {__version__}")
        raise typer.Exit


def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
) -> None:
    pass


def program(commands: Iterable[str]) -> typer.Typer:
    """The program with these of its commands."""
    made = typer.Typer(
        name="standcam",
        cls=_Program,
        help="Stand counts and plant spacing from emergence photos or hand tape readings.",
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        epilog="Exit codes: 0 all inputs used; 1 some could not be used; 2 nothing done, or a wrong call.",
    )
    made.callback()(_root)
    for name in commands:
        importlib.import_module(f"standcam.cli.{name}").register(made)
    return made


def __getattr__(name: str) -> Any:
    if name == "app":  # with all its commands, for whoever asks: a call needs one of them
        return program(COMMANDS)
    raise AttributeError(name)


def main() -> None:
    """Run the program and leave with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # a file name that the terminal's encoding lacks must not end the run
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    called = sys.argv[1:2]
    try:
        program(called if called and called[0] in COMMANDS else COMMANDS)()
    finally:
        # nothing is left to do, and to go once more through all that the libraries hold would take a tenth of a second
        gc.freeze()


if __name__ == "__main__":
    main()
