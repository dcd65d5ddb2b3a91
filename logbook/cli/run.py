"""The one place where a command is run and its errors become a sentence and an exit code."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import datetime

from logbook.errors import BadData, LogbookError

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
        print("stopped: nothing was written", file=sys.stderr)
        return 130
    return result if isinstance(result, int) else 0


def show(error: LogbookError) -> None:
    """Print an error on stderr: every problem it carries, its sentence, its hint."""
    problems = error.problems if isinstance(error, BadData) else ()
    for problem in problems[:MOST_PROBLEMS]:
        print(_printable(str(problem)), file=sys.stderr)
    if len(problems) > MOST_PROBLEMS:
        print(f"... and {len(problems) - MOST_PROBLEMS} more", file=sys.stderr)
    print(_printable(f"Error: {error.message}"), file=sys.stderr)
    if error.hint:
        print(_printable(f"Try: {error.hint}"), file=sys.stderr)


def _printable(text: str) -> str:
    """Text without control characters: data in a message must not steer the terminal."""
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)
