"""A folder as a place: the contract, then what people and drives do to files."""

from __future__ import annotations

from itertools import count
from pathlib import Path

import pytest

from logbook.sync.folder import Folder
from tests.sync.contract import Contract, Opened


class TestFolder(Contract):
    @pytest.fixture
    def opened(self, tmp_path: Path) -> Opened:
        numbers = count()
        return lambda: Folder(tmp_path, f"{next(numbers):08x}")
