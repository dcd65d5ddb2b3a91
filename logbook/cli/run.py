"""The one place where a command is run and its errors become a sentence and an exit code."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any

from logbook.errors import BadData, LogbookError, StoreError, UserMistake
from logbook.trial.wording import printable

if TYPE_CHECKING:
    from logbook.cli.session import Clock

MOST_PROBLEMS = 50
STOPPED = 130
# The options of the program itself, and what each takes.
_BEFORE = {"--store": "FILE", "--trial": "NAME", "--by": "HANDLE", "--plain": ""}


def run(arguments: Sequence[str], now: datetime | None = None) -> int:
    """Run the program with these arguments; returns its exit code.

    `now` replaces the clock (an aware instant): the demo plays a season with it.
    """
    from logbook.cli.session import Clock

    environment = dict(os.environ)
    clock = Clock(now)
    try:
        result = _program().main(
            list(arguments), prog_name="logbook", standalone_mode=False, obj=clock
        )
    except BrokenPipeError:
        raise
    except (Exception, KeyboardInterrupt) as problem:
        return _ended_by(problem, clock)
    finally:
        # `--plain` says what it wants in the environment, of this command alone.
        os.environ.clear()
        os.environ.update(environment)
    if result == STOPPED:  # what typer makes of a stop from the keyboard
        return _ended_by(KeyboardInterrupt(), clock)
    return result if isinstance(result, int) else 0


@cache
def _program() -> Any:
    """The command tree, made once: the demo and the tests run many commands in one process."""
    from typer.main import get_command

    from logbook.cli.app import app

    return get_command(app)


def _ended_by(problem: BaseException, clock: Clock) -> int:
    """Say what ended a command, and whether its act was committed before; its exit code."""
    from typer._click.exceptions import ClickException
    from typer.exceptions import Abort, Exit

    if isinstance(problem, Exit):
        return problem.exit_code
    if isinstance(problem, (Abort, KeyboardInterrupt, EOFError)):
        before = "; logbook history shows what was written before" if _has_store(clock) else ""
        print(f"stopped{before}", file=sys.stderr)
        return STOPPED
    if isinstance(problem, ClickException):
        problem.show()
        _say_its_place(problem)
        return 2
    error = _in_words(problem, clock)
    if clock.committed and (isinstance(error, StoreError) or not isinstance(problem, LogbookError)):
        # After the commit nothing may read as if the act had failed: it would be typed again.
        error = StoreError(
            f"the line IS written, but this failed afterwards: {error.message}",
            "logbook verify; do not type the line again",
        )
    show(error)
    return error.exit_code


def _has_store(clock: Clock) -> bool:
    from logbook import config

    with suppress(LogbookError, OSError):
        return any(config.store_path(given).exists() for given in clock.stores)
    return False


def _damage(clock: Clock) -> StoreError | None:
    """What to say where an unforeseen error comes of a damaged store, not of the program."""
    from logbook import config
    from logbook.book.checking import is_damaged
    from logbook.store.causes import explained

    with suppress(LogbookError, OSError):
        for given in clock.stores:
            path = config.store_path(given)
            if path.exists() and is_damaged(path):
                return explained(path, "malformed")
    return None


def _say_its_place(problem: BaseException) -> None:
    """Of an option that every command knows, and that stands behind one: where it goes."""
    from typer._click.exceptions import NoSuchOption

    if isinstance(problem, NoSuchOption) and problem.option_name in _BEFORE and problem.ctx:
        value = _BEFORE[problem.option_name]
        _, _, typed = problem.ctx.command_path.partition(" ")
        option = f"{problem.option_name} {value}" if value else problem.option_name
        aside(f"Try: it goes before the command: logbook {option} {typed}")


def _in_words(problem: BaseException, clock: Clock) -> LogbookError:
    """Any other error as one sentence; a mistake of the program itself says so.

    No read looks at the type of every value: one bit of a row makes nothing of a date.
    """
    if isinstance(problem, LogbookError):
        return problem
    if os.environ.get("LOGBOOK_DEBUG"):
        raise problem
    if isinstance(problem, OSError):
        where = f"{problem.filename}: " if problem.filename else ""
        said = problem.strerror or problem
        return UserMistake(f"{where}{said}", "check the name and the folder")
    return _damage(clock) or LogbookError(
        f"the program made a mistake: {type(problem).__name__}: {problem}",
        "logbook verify; LOGBOOK_DEBUG=1 before the command shows where",
    )


def show(error: LogbookError) -> None:
    """Print an error on stderr: every problem it carries, its sentence, its hint."""
    problems = error.problems if isinstance(error, BadData) else ()
    # A summary that only says the one problem again would print its sentence twice.
    told = [problem for problem in problems if error.message not in str(problem)]
    for problem in told[:MOST_PROBLEMS]:
        aside(str(problem))
    if len(told) > MOST_PROBLEMS:
        aside(f"... and {len(told) - MOST_PROBLEMS} more")
    aside(f"Error: {error.message}")
    if error.hint:
        aside(f"Try: {error.hint}")


def aside(text: str) -> None:
    """Print a message of one line or more on stderr, broken between words where a window ends.

    Whatever a command says there goes through this: errors, remarks beside its answer.
    """
    width = _width()
    for line in map(printable, text.split("\n")):
        print("\n".join(_broken(line, width)) if width else line, file=sys.stderr)


def _width() -> int:
    """Columns of the window that stderr is; 0 where it goes to a file or a program."""
    if not sys.stderr.isatty():
        return 0
    import shutil

    try:
        width = os.get_terminal_size(sys.stderr.fileno()).columns
    except (OSError, ValueError):
        width = 0
    return width or shutil.get_terminal_size().columns


def _broken(line: str, width: int) -> list[str]:
    """A line in pieces that fit, no word broken; what is longer than a line stands alone."""
    import textwrap

    fill = textwrap.TextWrapper(width, subsequent_indent="  ", break_long_words=False)
    fill.break_on_hyphens = False
    return fill.wrap(line) or [""]
