"""The ``trialkit`` command: finds the command asked for, and is the one place that reports errors.

Exit status: 0 done; 1 a fault in trialkit itself; 2 the request or a file is wrong; 3 a recording
or a table is unreadable; 4 the design or the data cannot answer the question; 130 interrupted.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from difflib import get_close_matches
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from trialkit import __version__
from trialkit.errors import TrialkitError

# Name and summary of every command. A command's module is imported only when it is run or when its
# own help is asked for, so that `trialkit --help` stays fast.
COMMANDS = {
    "demo": "Run a complete invented trial, from protocol to page.",
    "new": "Start a trial folder from a ready protocol.",
    "check": "Check a protocol and list what threatens its answer.",
    "power": "What a protocol can and cannot find out, by number of blocks.",
    "randomise": "Freeze the protocol, draw the order and rests, seal them.",
    "calendar": "Date the periods; write a calendar file and session cards.",
    "next": "Open the next period's condition and show its card.",
    "record": "Enter results, deviations, notes and corrections.",
    "ingest": "Store recordings and tables, compute outcome measures.",
    "analyse": "Estimates, noise, sensitivity and verdict of a trial.",
    "report": "Write the page, figures, data and checklist of a trial.",
    "verify": "Replay the journal: seal, hashes, chain, recordings.",
    "estimate": "The same analysis on a plain long table.",
    "reliability": "Typical error, CV, ICC, MDC and limits of agreement.",
    "compare": "Is one change larger than noise?",
    "pool": "A series of trials: mean effect and individual effects.",
}

MOST_PROBLEMS = 20


class LazyGroup(TyperGroup):
    """A group that lists every command but imports one only when it is run."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: D102
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: D102
        return _entry(cmd_name, COMMANDS[cmd_name], lambda: None) if cmd_name in COMMANDS else None

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:  # noqa: D102
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            close = get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean {close[0]!r}?" if close else ""
            ctx.fail(f"There is no command {args[0]!r}.{hint} trialkit --help lists them.")
        name, _, rest = super().resolve_command(ctx, args)
        return name, load_command(str(name)), rest


def load_command(name: str) -> Any:
    """Import one command and build it."""
    function = import_module(f"trialkit.cli.{name}").command
    return _entry(name, function.__doc__, function)


def _entry(name: str, text: str | None, function: Callable[..., None]) -> Any:
    single = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    single.command(name, help=text)(function)
    return typer.main.get_command(single)


app = typer.Typer(
    cls=LazyGroup,
    help="Randomised single-athlete (n-of-1) trials: plan, randomise, record, analyse, report.",
    epilog="Start with: trialkit demo my-demo",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(value: bool) -> None:
    if value:
        typer.echo(f"trialkit {__version__}")
        raise typer.Exit


@app.callback()
def _group(
    version: Annotated[
        bool,
        typer.Option(
            "--version", help="Show the version and stop.", callback=_show_version, is_eager=True
        ),
    ] = False,
) -> None: ...


def run() -> None:
    """Run the command line and end the process with the documented exit status."""
    try:
        app()
    except TrialkitError as error:
        _report(error)
        sys.exit(error.exit_status)
    except BrokenPipeError:
        # Whoever read our output has closed; the interpreter must not complain while flushing.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        typer.echo(f"trialkit: the system refused: {error.strerror or error}{place}.", err=True)
        typer.echo(
            "  Nothing was half-written. Mend the cause and run the command again.", err=True
        )
        sys.exit(2)
    except Exception as error:
        if os.environ.get("TRIALKIT_DEBUG"):
            raise
        typer.echo(f"trialkit: a fault of its own: {type(error).__name__}: {error}", err=True)
        typer.echo("  Set TRIALKIT_DEBUG=1 and run again for the details a report needs.", err=True)
        sys.exit(1)


def _report(error: TrialkitError) -> None:
    """Print the problems on stderr: where, found, wrong, fix."""
    for problem in error.problems[:MOST_PROBLEMS]:
        line = "" if problem.line is None else f", line {problem.line}"
        typer.echo(f"{problem.where}{line}: found {problem.found}", err=True)
        typer.echo(f"  wrong: {problem.wrong}", err=True)
        typer.echo(f"  fix:   {problem.fix}", err=True)
    more = len(error.problems) - MOST_PROBLEMS
    if more > 0:
        typer.echo(f"... and {more} more problems.", err=True)
