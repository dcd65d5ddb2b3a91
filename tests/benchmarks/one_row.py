"""What an act is compared with: a Typer program that inserts one durable row by SQLAlchemy Core."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import typer
from sqlalchemy import Column, Integer, MetaData, Table, Text, create_engine, event, insert

METADATA = MetaData()
LINES = Table("line", METADATA, Column("id", Integer, primary_key=True), Column("text", Text))


def durable(connection: Any, _record: Any) -> None:
    """As durable as the store: the folder's entry is synced too."""
    connection.execute("PRAGMA synchronous = EXTRA")


def main(file: Path, text: str) -> None:
    """Add one line of text to the file."""
    engine = create_engine(f"sqlite:///{file}")
    event.listen(engine, "connect", durable)
    METADATA.create_all(engine)
    with engine.begin() as connection:
        connection.execute(insert(LINES).values(text=text))
    typer.echo("written")


if __name__ == "__main__":
    typer.run(main)
