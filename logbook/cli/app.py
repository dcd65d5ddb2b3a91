"""The commands: a table of names and where each lives; only the invoked one's module is loaded."""

from __future__ import annotations

import inspect
import os
import re
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command

from logbook.cli.session import Clock, Session

# command -> module of logbook.cli that holds it, in the order of a season (and of --help)
COMMANDS = {
    "demo": "demo",
    "trial": "trials",
    "amendment": "amendments",
    "treatment": "joining",
    "bed": "joining",
    "calendar": "calendars",
    "today": "today",
    "week": "weeks",
    "fill": "acts",
    "apply": "acts",
    "water": "acts",
    "measure": "measures",
    "pull": "pulls",
    "labels": "labels",
    "weigh": "weighing",
    "skip": "calendars",
    "note": "acts",
    "event": "acts",
    "undo": "lines",
    "strike": "lines",
    "correct": "lines",
    "history": "histories",
    "conflicts": "conflicts",
    "settle": "conflicts",
    "lab": "lab",
    "curve": "curves",
    "compare": "comparing",
    "findings": "finding",
    "levels": "levels",
    "season": "seasons",
    "sync": "syncing",
    "join": "founding",
    "machines": "machines",
    "hub": "hub",
    "backup": "keeping",
    "restore": "keeping",
    "verify": "keeping",
    "export": "transfer",
    "import": "transfer",
}


_NEGATIVE = re.compile(r"[-\u2212]\s*[0-9.,]*[0-9]")


class Command(TyperCommand):
    """A command to which "-1 mg/kg" is a value, for its own words to refuse, and no option."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        said = [f" {word}" if _NEGATIVE.match(word) else word for word in args]
        return super().parse_args(ctx, said)


class LazyGroup(TyperGroup):
    """A group that imports the module of the command that is asked for, and no other."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        # The names only, for "did you mean": a command itself comes from `get_command`.
        self.commands = dict.fromkeys(COMMANDS)  # type: ignore[assignment]

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"logbook.cli.{COMMANDS[cmd_name]}")
        return module.COMMANDS[cmd_name]


app = typer.Typer(
    cls=LazyGroup,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)


def command(function: Any) -> Any:
    """A function as a command of its own; its docstring's examples end the help as they stand."""
    single = typer.Typer(rich_markup_mode=None, add_completion=False)
    single.command(cls=Command, **_words(function))(function)
    return get_command(single)


def _words(function: Any) -> dict[str, Any]:
    """Help and closing examples from a docstring ("Examples:" and one command a line).

    A list of commands shows the first sentence up to its colon, comma or semicolon.
    """
    text, _, examples = (function.__doc__ or "").partition("Examples:")
    lines = [line.strip() for line in examples.splitlines() if line.strip()]
    # The backspace tells the help formatter to leave the paragraph's lines as they are.
    shown = "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)
    # Of one line only, cleandoc leaves what stands before "Examples:".
    told = inspect.cleandoc(text).strip()
    return {
        "help": told,
        "epilog": shown if lines else "",
        "short_help": f"{re.split('[:;,.]', told, maxsplit=1)[0]}.",
    }


class BareGroup(TyperGroup):
    """A group that does something when no subcommand is named: what its `default` does.

    `logbook sync`, `logbook sync --dry-run`, `logbook sync PLACE`: the default takes options, and a
    first word that is no subcommand's name if it has an argument for it.
    """

    default = ""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, [self.default, *args] if self._bare(ctx, args) else args)

    def _bare(self, ctx: Any, args: list[str]) -> bool:
        if not args:
            return not ctx.resilient_parsing
        if args[0] in self.commands or args[0] in ctx.help_option_names:
            return False
        takes_words = any(one.param_type_name == "argument" for one in self._default.params)
        return args[0].startswith("-") or takes_words

    @property
    def _default(self) -> Any:
        return self.commands[self.default]

    def shell_complete(self, ctx: Any, incomplete: str) -> Any:
        """Subcommands, and what may stand in their place."""
        found = super().shell_complete(ctx, incomplete)
        alone = self._default.make_context(self.default, [], parent=ctx, resilient_parsing=True)
        for one in self._default.params:
            if one.param_type_name == "argument" and not incomplete.startswith("-"):
                return [*found, *one.shell_complete(alone, incomplete)]
        return [*found, *self._default.shell_complete(alone, incomplete)]


def group(help_text: str, **functions: Any) -> Any:
    """Functions as the subcommands of a group."""
    return _grouped(functions, help=help_text, no_args_is_help=True)


def bare_group(help_text: str, **functions: Any) -> Any:
    """Functions as the subcommands of a group that alone does what the first of them does."""
    first = next(iter(functions))
    words = {"help": help_text, "epilog": f"Without a command: {first}."}
    made = _grouped(functions, cls=BareGroup, **words)
    made.default = first
    return made


def _grouped(functions: dict[str, Any], **settings: Any) -> Any:
    several = typer.Typer(rich_markup_mode=None, add_completion=False, **settings)
    for name, function in functions.items():
        several.command(name, cls=Command, **_words(function))(function)
    several.callback()(lambda: None)
    return get_command(several)


def _version(asked: bool) -> None:
    if asked:
        from logbook import __version__

        typer.echo(f"logbook {__version__}")
        raise typer.Exit


def _trials(ctx: typer.Context, incomplete: str) -> list[str]:
    from logbook.cli.completing import trials

    return trials(ctx, incomplete)


@app.callback()
def root(
    context: typer.Context,
    store: Annotated[
        str | None, typer.Option(help="The store's file [env: LOGBOOK_STORE].", metavar="FILE")
    ] = None,
    trial: Annotated[
        str | None,
        typer.Option(
            help="Which trial, where several are running.",
            metavar="NAME",
            autocompletion=_trials,
        ),
    ] = None,
    by: Annotated[
        str | None, typer.Option(help="Who writes [env: LOGBOOK_BY].", metavar="HANDLE")
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="No colour, no box drawing, no braille.")
    ] = False,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """The logbook of a soil amendment trial: what each amendment releases, when, how surely.

    Start with `logbook demo`, or `logbook trial template > trial.toml`.
    """
    if plain:
        # What every library that draws already listens to; `run` puts it back.
        os.environ.update(NO_COLOR="1", TERM="dumb")
    clock = context.obj if isinstance(context.obj, Clock) else Clock(None)
    clock.stores.append(store)
    context.obj = Session(store, trial, by, clock)
