"""A season's mishaps: late beds, composites and parts, bags, weighings, readings, skipped pulls,
a calendar that changes. Tables whose columns change are made anew; the fold fills them again.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    for table in ("due", "bed", "planned_pull", "pull"):
        op.drop_table(table)
    op.create_table(
        "bag",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("reserved", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "bag_in_conflict", "bag", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "bed",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("label", sa.Text(), nullable=True),
        sa.Column("block", sa.Text(), nullable=True),
        sa.Column("treatment", sa.Text(), nullable=True),
        sa.Column("place", sa.Integer(), nullable=True),
        sa.Column("area_m2", sa.Text(), nullable=True),
        sa.Column("area_m2_num", sa.REAL(), nullable=True),
        sa.Column("depth_cm", sa.Text(), nullable=True),
        sa.Column("depth_cm_num", sa.REAL(), nullable=True),
        sa.Column("origin", sa.Text(), nullable=True),
        sa.Column("since", sa.Text(), nullable=True),
        sa.Column("was", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("bed_by_trial", "bed", ["trial"], unique=False)
    op.create_index(
        "bed_in_conflict", "bed", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "due",
        sa.Column("bed", sa.Text(), nullable=False, comment="the bed to sample"),
        sa.Column(
            "n", sa.Integer(), nullable=False, comment="its place among the bed's pulls, from 0"
        ),
        sa.Column("trial", sa.Text(), nullable=False, comment="the trial"),
        sa.Column("planned", sa.Text(), nullable=False, comment="the calendar's name of the pull"),
        sa.Column(
            "day", sa.Integer(), nullable=True, comment="days after application; NULL: before it"
        ),
        sa.Column("day0", sa.Text(), nullable=True, comment="the day it counts from"),
        sa.Column("opens", sa.Text(), nullable=True, comment="first date that counts as on time"),
        sa.Column("target", sa.Text(), nullable=True, comment="the date aimed at"),
        sa.Column("closes", sa.Text(), nullable=True, comment="last date that counts as on time"),
        sa.Column(
            "missed_from", sa.Text(), nullable=True, comment="first date on which it is missed"
        ),
        sa.Column(
            "tolerance", sa.Integer(), nullable=False, comment="days either side of the target"
        ),
        sa.Column(
            "also", sa.Text(), nullable=False, comment="further names it serves, a JSON list"
        ),
        sa.Column(
            "moved", sa.Integer(), nullable=False, comment="1 if it follows a treated bed's pull"
        ),
        sa.Column("pull", sa.Text(), nullable=True, comment="the sample code that served it"),
        sa.Column("pulled", sa.Text(), nullable=True, comment="the date of that pull"),
        sa.Column(
            "repeats", sa.Text(), nullable=False, comment="codes of repeated pulls, a JSON list"
        ),
        sa.Column("skipped", sa.Text(), nullable=True, comment="why it will not be pulled"),
        sa.PrimaryKeyConstraint("bed", "n"),
        sqlite_with_rowid=False,
    )
    op.create_index("due_by_trial", "due", ["trial"], unique=False)
    op.create_table(
        "measure",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("about", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("what", sa.Text(), nullable=True),
        sa.Column("value", sa.Text(), nullable=True),
        sa.Column("value_num", sa.REAL(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("depth_cm", sa.Text(), nullable=True),
        sa.Column("depth_cm_num", sa.REAL(), nullable=True),
        sa.Column("typed", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("measure_by_about", "measure", ["about"], unique=False)
    op.create_index(
        "measure_in_conflict", "measure", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "part",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("pull", sa.Text(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("analyses", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("part_by_pull", "part", ["pull"], unique=False)
    op.create_index(
        "part_in_conflict", "part", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "planned_part",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("analyses", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "planned_part_in_conflict",
        "planned_part",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "planned_pull",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("day", sa.Integer(), nullable=True),
        sa.Column("tolerance", sa.Integer(), nullable=True),
        sa.Column("since", sa.Text(), nullable=True),
        sa.Column("until", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "planned_pull_in_conflict",
        "planned_pull",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "pull",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("bed", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("planned", sa.Text(), nullable=True),
        sa.Column("cores", sa.Integer(), nullable=True),
        sa.Column("depth_cm", sa.Text(), nullable=True),
        sa.Column("depth_cm_num", sa.REAL(), nullable=True),
        sa.Column("again", sa.Text(), nullable=True),
        sa.Column("also", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("pull_by_bed", "pull", ["bed"], unique=False)
    op.create_index(
        "pull_in_conflict", "pull", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "skip",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("bed", sa.Text(), nullable=True),
        sa.Column("planned", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("skip_by_bed", "skip", ["bed"], unique=False)
    op.create_index(
        "skip_in_conflict", "skip", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "weigh",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("part", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("tare_g", sa.Text(), nullable=True),
        sa.Column("tare_g_num", sa.REAL(), nullable=True),
        sa.Column("wet_g", sa.Text(), nullable=True),
        sa.Column("wet_g_num", sa.REAL(), nullable=True),
        sa.Column("dry_g", sa.Text(), nullable=True),
        sa.Column("dry_g_num", sa.REAL(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "weigh_in_conflict", "weigh", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
