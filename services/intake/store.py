"""Intake's tables: every fact as it was kept, the worklist, where each image lies, and what is
owed to DICOM peers."""

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

from services.runtime.tables import METADATA, RowId, UtcDateTime

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
    Column("revision", RowId, nullable=False),
    Column("study_instance_uid", String(64)),
    Column("accession_number", String(16)),
    Column("room", String(64)),
    Column("scheduled_at", UtcDateTime),
    Column("plan", String(64)),
    Column("patient", LargeBinary),
    Column("ordered_by", String(64)),
    Column("cancelled", Boolean, nullable=False),
    Column("told_at", UtcDateTime),
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
"""Images and reports on disk. ``copy`` is 0 for the first content seen under a SOP Instance UID and
counts up for others. ``sha256`` is that of the data set, without the file meta information."""

STEP = Table(
    "intake_step",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("step_instance_uid", String(64), nullable=False),
    Column("station", String(64), nullable=False),
    Column("study_instance_uid", String(64), nullable=False),
    Column("status", String(16), nullable=False),
    Column("attributes", LargeBinary, nullable=False),
    Column("changed_at", UtcDateTime, nullable=False),
    PrimaryKeyConstraint("site", "step_instance_uid"),
)
"""Performed procedure steps as their stations told them so far. ``attributes`` is the data set in
Explicit VR Little Endian, its texts in UTF-8."""

COMMITMENT = Table(
    "intake_commitment",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("device", String(64), nullable=False),
    Column("transaction_uid", String(64), nullable=False),
    Column("request_sha256", String(64), nullable=False),
    Column("duplicate", Boolean, nullable=False),
    Column("requested", LargeBinary, nullable=False),
    Column("received_at", UtcDateTime, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("due_at", UtcDateTime),
    PrimaryKeyConstraint("site", "device", "transaction_uid", "request_sha256"),
    Index("ix_intake_commitment_due_at", "due_at"),
)
"""Storage commitments that were asked for. ``requested`` is JSON: pairs of SOP class and instance.
``duplicate`` marks another request under a transaction UID in use. ``due_at`` is when the report
is tried next; empty once it was delivered."""

CLOSED_STUDY = Table(
    "intake_closed_study",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("study_instance_uid", String(64), nullable=False),
    Column("look_at", UtcDateTime),
    PrimaryKeyConstraint("site", "study_instance_uid"),
    Index("ix_intake_closed_study_look_at", "look_at"),
)
"""Studies that were closed: their orders are off the worklist. ``look_at`` is when what can be
viewed of one is looked at next; empty where nothing has changed since."""

AVAILABILITY = Table(
    "intake_availability",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("study_instance_uid", String(64), nullable=False),
    Column("device", String(64), nullable=False),
    Column("content_sha256", String(64), nullable=False),
    Column("notice_instance_uid", String(64), nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("due_at", UtcDateTime),
    PrimaryKeyConstraint("site", "study_instance_uid", "device", "content_sha256"),
    Index("ix_intake_availability_due_at", "due_at"),
)
"""Which content of a study each record is told of, once. ``due_at`` is when it is tried next;
empty once it was told, or overtaken by a later content."""

PATIENT = Table(
    "intake_patient",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("patient_id", String(64), nullable=False),
    Column("described_at", UtcDateTime),
    Column("patient", LargeBinary),
    Column("merged_at", UtcDateTime),
    Column("merged_into", String(64)),
    PrimaryKeyConstraint("site", "patient_id"),
)
"""What records told of patients after their orders: the newest description (the contract's JSON)
and the newest merge, whichever came first."""
