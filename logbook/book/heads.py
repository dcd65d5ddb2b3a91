"""The newest entries of the writers whose keys are here, signed: what other machines go by."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from logbook import config, signing
from logbook.errors import StoreError
from logbook.journal import entry as journal
from logbook.store import database, held, local, views
from logbook.store.held import Vouched
from logbook.store.schemas import SCHEMA


def sign_heads(store: Path, state: Path) -> None:
    """Sign the newest entries of every writer whose key lies on this machine.

    Of one that went on as another one, too: its last lines may have been sent nowhere yet.
    """
    with database.writing(store) as connection:
        raw = database.inside(connection)
        for writer in held.writers(raw):
            replica = config.load(state, writer)
            if replica is None:
                continue
            for seq, name in held.tips(raw, writer):
                if held.signed_at(raw, writer, name) is None:
                    config.must_sign(state, replica)
                    message = signing.head_message(writer, seq, name)
                    signature = signing.sign(replica.private_key, message)
                    held.vouch(raw, [Vouched(writer, seq, name, writer, signature)])
            held.forget_older_heads(raw, writer)
            if writer == local.get(connection, "writer") and not held.is_forked(raw, writer):
                # It may be behind, where a program died between its commit and the key file.
                seq, name = max(held.tips(raw, writer))
                config.save(state, replace(replica, seq=seq, id=name))


def sign_where_writable(store: Path, state: Path) -> None:
    """As `sign_heads`, for a copy of the journal: no entry counts elsewhere without a signature.

    What cannot be written or read is left as it is, and so is a store of an older schema.
    """
    with suppress(StoreError, journal.BadEntry):
        if views.schema_at(store) == SCHEMA:
            sign_heads(store, state)
