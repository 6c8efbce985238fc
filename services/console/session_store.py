"""The tables behind a visit: who is signed in, and which taps have been sent on."""

from sqlalchemy import Boolean, Column, String, Table

from services.runtime.tables import METADATA, UtcDateTime

SESSION = Table(
    "console_session",
    METADATA,
    Column("token_sha256", String(64), primary_key=True),
    Column("site", String(64), nullable=False),
    Column("person", String(64), nullable=False),
    Column("csrf", String(64), nullable=False),
    Column("shared", Boolean, nullable=False),
    Column("began_at", UtcDateTime, nullable=False),
    Column("tapped_at", UtcDateTime, nullable=False, index=True),
)
"""Who is signed in. The cookie holds the token; here stands only its hash."""

TAP = Table(
    "console_tap",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("person", String(64), primary_key=True),
    Column("tap", String(64), primary_key=True),
    Column("content_sha256", String(64), nullable=False),
    Column("occurred_at", UtcDateTime, nullable=False),
    Column("kept_at", UtcDateTime, nullable=False, index=True),
)
"""When a tap happened that was sent: sent again, it is the same fact, with the same moment."""
