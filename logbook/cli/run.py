"""The one place where a command is run and its errors become a sentence and an exit code."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from datetime import datetime

from logbook.errors import BadData, LogbookError, UserMistake

MOST_PROBLEMS = 50


def run(arguments: Sequence[str], now: datetime | None = None) -> int:
    """Run the program with these arguments; returns its exit code.

    `now` replaces the clock (an aware instant): the demo plays a season with it.
    """
    from typer._click.exceptions import ClickException
    from typer.exceptions import Abort, Exit
    from typer.main import get_command

    from logbook.cli.app import app
    from logbook.cli.session import Clock

    try:
        result = get_command(app).main(
            list(arguments), prog_name="logbook", standalone_mode=False, obj=Clock(now)
        )
    except LogbookError as error:
        show(error)
        return error.exit_code
    except ClickException as mistake:
        mistake.show()
        return 2
    except Exit as ended:
        return ended.exit_code
    except (Abort, KeyboardInterrupt, EOFError):
        print("stopped; logbook history shows what was written before", file=sys.stderr)
        return 130
    except BrokenPipeError:
        raise
    except OSError as problem:
        where = f"{problem.filename}: " if problem.filename else ""
        show(UserMistake(f"{where}{problem.strerror or problem}", "check the name and the folder"))
        return 2
    except Exception as problem:
        if os.environ.get("LOGBOOK_DEBUG"):
            raise
        show(_own_mistake(problem))
        return 2
    return result if isinstance(result, int) else 0


def _own_mistake(problem: Exception) -> LogbookError:
    """A mistake of the program itself, in a sentence; LOGBOOK_DEBUG=1 shows where it happened."""
    return LogbookError(
        f"the program made a mistake: {type(problem).__name__}: {problem}",
        "logbook verify; LOGBOOK_DEBUG=1 before the command shows where",
    )


def show(error: LogbookError) -> None:
    """Print an error on stderr: every problem it carries, its sentence, its hint."""
    problems = error.problems if isinstance(error, BadData) else ()
    # A summary that only says the one problem again would print its sentence twice.
    told = [problem for problem in problems if error.message not in str(problem)]
    for problem in told[:MOST_PROBLEMS]:
        print(_printable(str(problem)), file=sys.stderr)
    if len(told) > MOST_PROBLEMS:
        print(f"... and {len(told) - MOST_PROBLEMS} more", file=sys.stderr)
    print(_printable(f"Error: {error.message}"), file=sys.stderr)
    if error.hint:
        print(_printable(f"Try: {error.hint}"), file=sys.stderr)


def _printable(text: str) -> str:
    """Text without control characters: data in a message must not steer the terminal."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)
