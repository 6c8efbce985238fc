"""What really lies on our disk, by what its fact says of it."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Select, select

from schemas.facts import DocumentStored, ImageStored
from schemas.messages import parse
from services.intake.store import FACT, IMAGE

_KINDS = (ImageStored.KIND, DocumentStored.KIND)
_PAGE = 200

Stored = ImageStored | DocumentStored


@dataclass(frozen=True, slots=True)
class HeldObject:
    """An object of one site; ``whole`` says that its file is there in its full size."""

    stored: Stored
    whole: bool


def objects_of_study(
    connection: Connection, root: Path, site: str, study_instance_uid: str
) -> list[HeldObject]:
    """List everything that was stored of a study, by SOP Instance UID."""
    query = select(FACT.c.body).where(
        FACT.c.site == site,
        FACT.c.study_instance_uid == study_instance_uid,
        FACT.c.kind.in_(_KINDS),
    )
    found = [_held(root, body) for body in connection.execute(query).scalars()]
    return sorted(
        (one for one in found if one is not None),
        key=lambda one: (one.stored.sop_instance_uid, one.stored.sha256),
    )


def classes_held(
    connection: Connection, root: Path, site: str, sop_instance_uids: Sequence[str]
) -> dict[str, Collection[str]]:
    """Give the SOP classes of what is held whole, by SOP Instance UID; others are left out."""
    classes: dict[str, set[str]] = {}
    for start in range(0, len(sop_instance_uids), _PAGE):
        wanted = sop_instance_uids[start : start + _PAGE]
        for body in connection.execute(_facts_of(connection, site, wanted)).scalars():
            held = _held(root, body)
            if held is not None and held.whole:
                stored = held.stored
                classes.setdefault(stored.sop_instance_uid, set()).add(stored.sop_class_uid)
    return dict(classes)


def _facts_of(connection: Connection, site: str, sop_instance_uids: Sequence[str]) -> Select[Any]:
    known = select(IMAGE.c.sop_instance_uid, IMAGE.c.sha256).where(
        IMAGE.c.sop_instance_uid.in_(sop_instance_uids)
    )
    # Facts are found by their natural keys: kind, UID and the first half of the hash.
    keys = [
        f"{word}:{row.sop_instance_uid}:{row.sha256[:16]}"
        for row in connection.execute(known)
        for word in ("image", "document")
    ]
    return select(FACT.c.body).where(FACT.c.site == site, FACT.c.natural_key.in_(keys))


def _held(root: Path, body: bytes) -> HeldObject | None:
    stored = parse(body).payload
    if not isinstance(stored, (ImageStored, DocumentStored)):
        return None
    try:
        whole = (root / stored.path).stat().st_size == stored.size_bytes
    except FileNotFoundError:
        whole = False
    return HeldObject(stored, whole)
