"""The hub: a PostgreSQL database through which machines that see it exchange entries.

`address` knows its URL, `connecting` the way there, `schema` its tables, `place` the exchange.
"""

from logbook.sync.hub.address import without_password
from logbook.sync.hub.place import Hub, open_hub
from logbook.sync.hub.schema import init

__all__ = ["Hub", "init", "open_hub", "without_password"]
