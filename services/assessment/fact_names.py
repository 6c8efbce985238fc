"""Facts that name other facts: which study a cancellation or a withdrawal is about."""

from collections.abc import Collection

from sqlalchemy import Connection, or_, select, update

from schemas.facts import FactWithdrawn, OrderCancelled, OrderPlaced
from services.assessment.store import FACT


def settle_names(connection: Connection, site: str, names: Collection[str]) -> set[str]:
    """Give cancellations and withdrawals the study of what they name; tell those studies.

    ``names`` are ``about`` names and natural keys that came up now. Either side may come first.
    """
    touched: set[str] = set()
    while names:
        targets = connection.execute(
            select(FACT.c.natural_key, FACT.c.about, FACT.c.kind, FACT.c.study_instance_uid)
            .where(
                FACT.c.site == site,
                FACT.c.study_instance_uid.is_not(None),
                or_(
                    FACT.c.natural_key.in_(names),
                    (FACT.c.kind == OrderPlaced.KIND) & FACT.c.about.in_(names),
                ),
            )
            .order_by(FACT.c.natural_key)
        ).all()
        study_of = {
            row.about if row.kind == OrderPlaced.KIND else row.natural_key: row.study_instance_uid
            for row in targets
        }
        pointers = connection.execute(
            select(FACT.c.natural_key, FACT.c.about, FACT.c.study_instance_uid).where(
                FACT.c.site == site,
                FACT.c.kind.in_([OrderCancelled.KIND, FactWithdrawn.KIND]),
                FACT.c.about.in_(names),
            )
        ).all()
        settled: set[str] = set()
        for pointer in pointers:
            study = study_of.get(pointer.about)
            if study is not None:
                touched.add(study)
                if study != pointer.study_instance_uid:
                    connection.execute(
                        update(FACT)
                        .where(FACT.c.site == site, FACT.c.natural_key == pointer.natural_key)
                        .values(study_instance_uid=study)
                    )
                    settled.add(pointer.natural_key)
        names = settled
    return touched
