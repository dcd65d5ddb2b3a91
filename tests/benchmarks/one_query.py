"""What a sync that finds nothing new is compared with: what it imports, and one query."""

from __future__ import annotations

from pathlib import Path

import typer
from sqlalchemy import create_engine


def main(file: Path) -> None:
    """Count the entries."""
    with create_engine(f"sqlite:///{file}").connect() as connection:
        typer.echo(connection.exec_driver_sql("SELECT count(*) FROM entry").scalar())


if __name__ == "__main__":
    typer.run(main)
