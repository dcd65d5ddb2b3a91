"""Findings: what a trial says of each amendment, how surely, and what it cannot say."""

from __future__ import annotations

from logbook.study.findings.assemble import findings
from logbook.study.findings.content import KINDS, Finding, Findings

__all__ = ["KINDS", "Finding", "Findings", "findings"]
