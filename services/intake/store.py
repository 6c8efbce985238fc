"""Intake's tables: every fact as it was kept, the worklist, and where each image lies."""

from sqlalchemy import (
    Boolean,
    Column,
    Index,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    String,
    Table,
)

from services.runtime.tables import METADATA, UtcDateTime

LONGEST_NATURAL_KEY = 400

FACT = Table(
    "intake_fact",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("natural_key", String(LONGEST_NATURAL_KEY), nullable=False),
    Column("id", String(36), nullable=False, unique=True),
    Column("kind", String(40), nullable=False),
    Column("occurred_at", UtcDateTime, nullable=False),
    Column("received_at", UtcDateTime, nullable=False),
    Column("study_instance_uid", String(64)),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("site", "natural_key"),
    Index("ix_intake_fact_study_instance_uid", "study_instance_uid"),
)
"""Facts, never changed. A natural key is known once per site: two sites' records may both have
an order 1001. ``body`` is the message as it was published."""

ORDER = Table(
    "intake_order",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("order_id", String(64), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("study_instance_uid", String(64)),
    Column("accession_number", String(16)),
    Column("room", String(64)),
    Column("scheduled_at", UtcDateTime),
    Column("plan", String(64)),
    Column("patient", LargeBinary),
    Column("ordered_by", String(64)),
    Column("cancelled", Boolean, nullable=False),
    PrimaryKeyConstraint("site", "order_id"),
    Index("ix_intake_order_site_scheduled_at", "site", "scheduled_at"),
)
"""The worklist: each order at its highest revision. ``patient`` is the contract's JSON. A row of
revision 0 was cancelled before it was placed, since facts may arrive in any order."""

IMAGE = Table(
    "intake_image",
    METADATA,
    Column("sop_instance_uid", String(64), nullable=False),
    Column("copy", Integer, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("path", String(400), nullable=False),
    PrimaryKeyConstraint("sop_instance_uid", "copy"),
)
"""Images on disk. ``copy`` is 0 for the first content seen under a SOP Instance UID and counts
up for others. ``sha256`` is that of the data set, without the file meta information."""
