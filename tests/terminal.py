"""Standard output and error on a pseudo-terminal of 80 columns, as a person sees them."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator

import pytest

pty = pytest.importorskip("pty", reason="pseudo-terminals are POSIX's")


@contextlib.contextmanager
def captured(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[bytes]]:
    """Both on one terminal; what it received is in the list once the block has ended."""
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("NO_COLOR", raising=False)
    ours, its = pty.openpty()
    got: list[bytes] = []

    def read() -> None:
        with contextlib.suppress(OSError):  # EIO: the other end is closed
            while data := os.read(ours, 65536):
                got.append(data)

    reader = threading.Thread(target=read)
    reader.start()
    out = os.fdopen(its, "w", encoding="utf-8", errors="replace")
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            yield got
    finally:
        out.close()
        reader.join(30)
        os.close(ours)
