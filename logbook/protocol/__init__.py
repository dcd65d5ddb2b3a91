"""The trial's protocol: one commented TOML file; read, checked with lines, turned into records.

`read` refuses a file with every problem in it at once; `overview` says what would be created;
`planned_records` gives the journal's keys and records; `template` is a file to start from.
"""

from __future__ import annotations

from logbook.protocol.content import Protocol
from logbook.protocol.overview import Overview, overview
from logbook.protocol.planned import planned_records
from logbook.protocol.reading import read
from logbook.protocol.template import template

__all__ = ["Overview", "Protocol", "overview", "planned_records", "read", "template"]
