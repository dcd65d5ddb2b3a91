"""The hub: the contract of all places, on the oldest and the newest PostgreSQL, and its own."""

from __future__ import annotations

import secrets
from collections.abc import Iterator

import pytest

from logbook.sync.hub import init, open_hub
from logbook.sync.place import Place
from tests.postgres import Server
from tests.sync.contract import Contract, Opened


@pytest.fixture
def book() -> str:
    """A book that no other test has."""
    return secrets.token_hex(8)


class TestHub(Contract):
    @pytest.fixture
    def opened(self, each_postgres: Server, book: str) -> Iterator[Opened]:
        init(each_postgres.url(), book, "bench", "test")
        places: list[Place] = []

        def anew() -> Place:
            places.append(open_hub(each_postgres.url(), book))
            return places[-1]

        yield anew
        for place in places:
            place.close()
