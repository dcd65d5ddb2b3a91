"""Declared errors and margins of nutrients, the error of a lot's analysis, what a laboratory said
about a result beside its number, how long one usually takes: columns of tables that are made anew;
the fold fills them again. New tables: the way of samples to the laboratory, queries about results;
members of the book, and what this copy keeps about other machines.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

# A "#" marks a decimal, which has a REAL beside it, a "!" a whole number.
_RECORDS = {
    "trial": "name question zone assigned seed! planting_day! endpoint protocol depth_cm# cores! "
    "lab endpoint_day! sample_cost usual_days!",
    "shipment": "trial code lab when by_what text",
    "sent": "shipment sample place! analyses methods",
    "handling": "sample analysis state when text",
    "blind": "code kind of trial",
    "reference": "name analyte value# unit method sd# trial",
    "query": "sample analyte method report what kind opened deadline",
    "answer": "query sample what when text",
    "writer": "book machine public_key predecessor signed",
    "member": "writer machine public_key standing last_seq! last_id",
}
_BY_SAMPLE = ("sent", "handling", "query")


def _columns(names: str) -> list[sa.Column[Any]]:
    columns: list[sa.Column[Any]] = []
    for word in names.split():
        name = word.rstrip("#!")
        columns.append(sa.Column(name, sa.Integer() if word.endswith("!") else sa.Text()))
        if word.endswith("#"):
            columns.append(sa.Column(f"{name}_num", sa.REAL()))
    return columns


def _records() -> None:
    for table, names in _RECORDS.items():
        op.create_table(
            table,
            sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
            sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
            sa.Column(
                "conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"
            ),
            *_columns(names),
            sa.PrimaryKeyConstraint("id"),
            sqlite_with_rowid=False,
        )
        op.create_index(f"{table}_in_conflict", table, ["id"], sqlite_where=sa.text("conflict = 1"))
    for table in _BY_SAMPLE:
        op.create_index(f"{table}_by_sample", table, ["sample"])


def _machines() -> None:
    """What this copy keeps about other machines: named and explained in `store/tables.py`."""
    op.create_table(
        "held",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("writer", sa.Text(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("prev", sa.Text(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("since", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("held_by_writer", "held", ["writer", "seq"])
    op.create_table(
        "refused",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("prev", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "head",
        sa.Column("writer", sa.Text(), nullable=False),
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("signature", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("writer", "id", "by"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "place",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("book", sa.Text(), nullable=True),
        sa.Column("last", sa.Text(), nullable=True),
        sa.Column("seen", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "place_file",
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("mtime", sa.Integer(), nullable=False),
        sa.Column("runs", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("place", "file"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "contact",
        sa.Column("writer", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("writer"),
    )


def upgrade() -> None:
    for table in ("lot_content", "followed", "result", "trial", "writer"):
        op.drop_table(table)
    op.create_table(
        "followed",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("analyte", sa.Text(), nullable=True),
        sa.Column("method", sa.Text(), nullable=True),
        sa.Column("cv", sa.Text(), nullable=True),
        sa.Column("cv_num", sa.REAL(), nullable=True),
        sa.Column("sd", sa.Text(), nullable=True),
        sa.Column("sd_num", sa.REAL(), nullable=True),
        sa.Column("margin", sa.Text(), nullable=True),
        sa.Column("margin_num", sa.REAL(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "followed_in_conflict",
        "followed",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "lot_content",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("lot", sa.Text(), nullable=True),
        sa.Column("analyte", sa.Text(), nullable=True),
        sa.Column("value", sa.Text(), nullable=True),
        sa.Column("value_num", sa.REAL(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("basis", sa.Text(), nullable=True),
        sa.Column("method", sa.Text(), nullable=True),
        sa.Column("sd", sa.Text(), nullable=True),
        sa.Column("sd_num", sa.REAL(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "lot_content_in_conflict",
        "lot_content",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "result",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("lab", sa.Text(), nullable=True),
        sa.Column("report", sa.Text(), nullable=True),
        sa.Column("sample", sa.Text(), nullable=True),
        sa.Column("analyte", sa.Text(), nullable=True),
        sa.Column("method", sa.Text(), nullable=True),
        sa.Column("basis", sa.Text(), nullable=True),
        sa.Column("run", sa.Integer(), nullable=True),
        sa.Column("n", sa.Integer(), nullable=True),
        sa.Column("value", sa.Text(), nullable=True),
        sa.Column("value_num", sa.REAL(), nullable=True),
        sa.Column("limit", sa.Text(), nullable=True),
        sa.Column("limit_num", sa.REAL(), nullable=True),
        sa.Column("qualifier", sa.Text(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("reported", sa.Text(), nullable=True),
        sa.Column("reported_unit", sa.Text(), nullable=True),
        sa.Column("form", sa.Text(), nullable=True),
        sa.Column("flags", sa.Text(), nullable=True),
        sa.Column("laboratory_number", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("result_by_sample", "result", ["sample"], unique=False)
    op.create_index(
        "result_in_conflict", "result", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_index(
        "result_flagged", "result", ["id"], unique=False, sqlite_where=sa.text("flags <> ''")
    )
    _records()
    _machines()
