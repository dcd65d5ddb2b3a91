"""Declared errors and margins of nutrients, the error of a lot's analysis, what a laboratory said
about a result beside its number, how long one usually takes: columns of tables that are made anew;
the fold fills them again. New tables: the way of samples to the laboratory, queries about results.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

# A "#" marks a decimal, which has a REAL beside it, a "!" a whole number.
_CUSTODY = {
    "trial": "name question zone assigned seed! planting_day! endpoint protocol depth_cm# cores! "
    "lab endpoint_day! sample_cost usual_days!",
    "shipment": "trial code lab when by_what text",
    "sent": "shipment sample place! analyses methods",
    "handling": "sample analysis state when text",
    "blind": "code kind of trial",
    "reference": "name analyte value# unit method sd# trial",
    "query": "sample analyte method report what kind opened deadline",
    "answer": "query sample what when text",
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


def _custody() -> None:
    for table, names in _CUSTODY.items():
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


def upgrade() -> None:
    for table in ("lot_content", "followed", "result", "trial"):
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
    _custody()
