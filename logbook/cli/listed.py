"""What `conflicts` showed last on this machine, so that a version's number means what was read.

Kept beside the key files, never in the store: a line may come from another machine between the
listing and the decision, and numbers would then mean other versions.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

_FILE = "listed.json"


def remember(state: Path, store: Path, shown: Mapping[str, Sequence[str]]) -> None:
    """Keep the entry ids of each key's versions, in the order of their numbers.

    Where nothing can be kept, nothing is: versions then go by their entries' ids.
    """
    kept = _read(state)
    kept[str(store.resolve())] = {key: list(entries) for key, entries in shown.items()}
    with suppress(OSError):
        state.mkdir(parents=True, exist_ok=True, mode=0o700)
        temporary = state / f"{_FILE}.{os.getpid()}.tmp"
        temporary.write_text(json.dumps(kept, indent=1), encoding="utf-8")
        temporary.replace(state / _FILE)


def remembered(state: Path, store: Path, key: str) -> tuple[str, ...] | None:
    """The entry ids of a key's versions as they were listed last; None: they were not."""
    found = _read(state).get(str(store.resolve()), {}).get(key)
    return None if found is None else tuple(found)


def _read(state: Path) -> dict[str, dict[str, list[str]]]:
    try:
        kept = json.loads((state / _FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) else {}
