"""Text as every screen and message may show it."""

from __future__ import annotations


def printable(text: str) -> str:
    """One line without control characters: what data holds must not steer a terminal."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
