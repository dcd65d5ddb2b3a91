"""The place in memory keeps the contract that it stands for."""

from __future__ import annotations

import pytest

from tests.sync.contract import Contract, Opened
from tests.sync.memory import MemoryPlace, Shelf


class TestMemory(Contract):
    @pytest.fixture
    def opened(self) -> Opened:
        shelf = Shelf()
        return lambda: MemoryPlace(shelf)
