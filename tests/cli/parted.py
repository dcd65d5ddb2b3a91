"""The small invented trial with parts: moist for nitrogen, dried for the rest, a tin, a half."""

from __future__ import annotations

from tests.program import PROTOCOL

PARTS = """\
[sampling.parts]
chilled = ["nitrate-N", "ammonium-N"]
dried = ["pH", "P", "K"]
tin = []
retained = []

[soil]
"""
PARTED = (
    PROTOCOL.replace("[soil]\n", PARTS, 1)
    + """\
P = "Mehlich-3"
K = "Mehlich-3"
"""
)
