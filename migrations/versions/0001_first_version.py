"""The first version: the journal, the fold's tables, one table per record, derived rows."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "amendment",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("material", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "amendment_in_conflict",
        "amendment",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "apply",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("bed", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("mass_g", sa.Text(), nullable=True),
        sa.Column("mass_g_num", sa.REAL(), nullable=True),
        sa.Column("volume_l", sa.Text(), nullable=True),
        sa.Column("volume_l_num", sa.REAL(), nullable=True),
        sa.Column("mock", sa.Integer(), nullable=True),
        sa.Column("known", sa.Text(), nullable=True),
        sa.Column("typed", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("apply_by_bed", "apply", ["bed"], unique=False)
    op.create_index(
        "apply_in_conflict", "apply", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
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
        sa.PrimaryKeyConstraint("bed", "n"),
        sqlite_with_rowid=False,
    )
    op.create_index("due_by_trial", "due", ["trial"], unique=False)
    op.create_table(
        "entry",
        sa.Column("id", sa.Text(), nullable=False, comment="SHA-256 of body, hex"),
        sa.Column("writer", sa.Text(), nullable=False, comment="who wrote it: the writer's id"),
        sa.Column(
            "seq", sa.Integer(), nullable=False, comment="its number in the writer's chain, from 1"
        ),
        sa.Column("act", sa.Text(), nullable=True, comment="the act it belongs to"),
        sa.Column(
            "body", sa.LargeBinary(), nullable=False, comment="the entry's bytes, exactly as hashed"
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("entry_by_act", "entry", ["act"], unique=False)
    op.create_index("entry_by_writer", "entry", ["writer", "seq", "id"], unique=True)
    op.create_table(
        "event",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("bed", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("what", sa.Text(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("event_by_bed", "event", ["bed"], unique=False)
    op.create_index(
        "event_in_conflict", "event", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "fill",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("bed", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("mass_kg", sa.Text(), nullable=True),
        sa.Column("mass_kg_num", sa.REAL(), nullable=True),
        sa.Column("moisture", sa.Text(), nullable=True),
        sa.Column("moisture_num", sa.REAL(), nullable=True),
        sa.Column("known", sa.Text(), nullable=True),
        sa.Column("typed", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("fill_by_bed", "fill", ["bed"], unique=False)
    op.create_index(
        "fill_in_conflict", "fill", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "followed",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("analyte", sa.Text(), nullable=True),
        sa.Column("method", sa.Text(), nullable=True),
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
        "local",
        sa.Column("name", sa.Text(), nullable=False, comment="writer, program"),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "lot",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("amendment", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("price", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "lot_in_conflict", "lot", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
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
        "lot_density",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("lot", sa.Text(), nullable=True),
        sa.Column("density", sa.Text(), nullable=True),
        sa.Column("density_num", sa.REAL(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "lot_density_in_conflict",
        "lot_density",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "lot_moisture",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("lot", sa.Text(), nullable=True),
        sa.Column("moisture", sa.Text(), nullable=True),
        sa.Column("moisture_num", sa.REAL(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "lot_moisture_in_conflict",
        "lot_moisture",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "note",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("about", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("note_by_about", "note", ["about"], unique=False)
    op.create_index(
        "note_in_conflict", "note", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
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
        "possible_duplicate",
        sa.Column("first", sa.Text(), nullable=False, comment="the id of a pull"),
        sa.Column(
            "second", sa.Text(), nullable=False, comment="another that looks like the same pull"
        ),
        sa.Column("trial", sa.Text(), nullable=False, comment="the trial"),
        sa.PrimaryKeyConstraint("first", "second"),
        sqlite_with_rowid=False,
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
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("pull_by_bed", "pull", ["bed"], unique=False)
    op.create_index(
        "pull_in_conflict", "pull", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "replaced",
        sa.Column("key", sa.Text(), nullable=False, comment="the key whose write is replaced"),
        sa.Column(
            "entry", sa.Text(), nullable=False, comment="the entry replaced; it may not be here yet"
        ),
        sa.PrimaryKeyConstraint("key", "entry"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "report",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("lab", sa.Text(), nullable=True),
        sa.Column("number", sa.Text(), nullable=True),
        sa.Column("file", sa.Text(), nullable=True),
        sa.Column("sha256", sa.Text(), nullable=True),
        sa.Column("received", sa.Text(), nullable=True),
        sa.Column("rows", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "report_in_conflict", "report", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
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
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("result_by_sample", "result", ["sample"], unique=False)
    op.create_index(
        "result_in_conflict", "result", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "soil",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("source", sa.Text(), nullable=True),
        sa.Column("texture", sa.Text(), nullable=True),
        sa.Column("bulk_density", sa.Text(), nullable=True),
        sa.Column("bulk_density_num", sa.REAL(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "soil_in_conflict", "soil", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "soil_value",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("analyte", sa.Text(), nullable=True),
        sa.Column("value", sa.Text(), nullable=True),
        sa.Column("value_num", sa.REAL(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("method", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "soil_value_in_conflict",
        "soil_value",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "treatment",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("control", sa.Integer(), nullable=True),
        sa.Column("lot", sa.Text(), nullable=True),
        sa.Column("rate", sa.Text(), nullable=True),
        sa.Column("rate_num", sa.REAL(), nullable=True),
        sa.Column("rate_unit", sa.Text(), nullable=True),
        sa.Column("depth_cm", sa.Text(), nullable=True),
        sa.Column("depth_cm_num", sa.REAL(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "treatment_in_conflict",
        "treatment",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "trial",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("question", sa.Text(), nullable=True),
        sa.Column("zone", sa.Text(), nullable=True),
        sa.Column("assigned", sa.Text(), nullable=True),
        sa.Column("seed", sa.Integer(), nullable=True),
        sa.Column("planting_day", sa.Integer(), nullable=True),
        sa.Column("endpoint", sa.Text(), nullable=True),
        sa.Column("protocol", sa.Text(), nullable=True),
        sa.Column("depth_cm", sa.Text(), nullable=True),
        sa.Column("depth_cm_num", sa.REAL(), nullable=True),
        sa.Column("cores", sa.Integer(), nullable=True),
        sa.Column("lab", sa.Text(), nullable=True),
        sa.Column("endpoint_day", sa.Integer(), nullable=True),
        sa.Column("sample_cost", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "trial_in_conflict", "trial", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "water",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("bed", sa.Text(), nullable=True),
        sa.Column("when", sa.Text(), nullable=True),
        sa.Column("volume_ml", sa.Text(), nullable=True),
        sa.Column("volume_ml_num", sa.REAL(), nullable=True),
        sa.Column("known", sa.Text(), nullable=True),
        sa.Column("typed", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index("water_by_bed", "water", ["bed", "when"], unique=False)
    op.create_index(
        "water_in_conflict", "water", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.create_table(
        "watering_plan",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("trial", sa.Text(), nullable=True),
        sa.Column("interval", sa.Integer(), nullable=True),
        sa.Column("amount", sa.Text(), nullable=True),
        sa.Column("amount_num", sa.REAL(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "watering_plan_in_conflict",
        "watering_plan",
        ["id"],
        unique=False,
        sqlite_where=sa.text("conflict = 1"),
    )
    op.create_table(
        "write",
        sa.Column("key", sa.Text(), nullable=False, comment="the key written"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry that wrote it"),
        sa.Column(
            "pos", sa.Integer(), nullable=False, comment="which of the entry's writes, from 0"
        ),
        sa.Column("struck", sa.Integer(), nullable=False, comment="1 if the write strikes the key"),
        sa.Column(
            "live", sa.Integer(), nullable=False, comment="1 while no other write replaces it"
        ),
        sa.Column(
            "about",
            sa.Text(),
            nullable=True,
            comment="id of the bed, sample or trial that the value is about",
        ),
        sa.PrimaryKeyConstraint("key", "entry"),
        sqlite_with_rowid=False,
    )
    op.create_index("write_by_about", "write", ["about"], unique=False)
    op.create_table(
        "writer",
        sa.Column("id", sa.Text(), nullable=False, comment="the key without its space"),
        sa.Column("entry", sa.Text(), nullable=False, comment="the entry whose value is shown"),
        sa.Column("conflict", sa.Integer(), nullable=False, comment="1 if live writes disagree"),
        sa.Column("book", sa.Text(), nullable=True),
        sa.Column("machine", sa.Text(), nullable=True),
        sa.Column("public_key", sa.Text(), nullable=True),
        sa.Column("predecessor", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "writer_in_conflict", "writer", ["id"], unique=False, sqlite_where=sa.text("conflict = 1")
    )
    op.execute(
        """CREATE TRIGGER entry_no_update BEFORE UPDATE ON entry
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"""
    )
    op.execute(
        """CREATE TRIGGER entry_no_delete BEFORE DELETE ON entry
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"""
    )
