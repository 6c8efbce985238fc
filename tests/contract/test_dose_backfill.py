"""A store that held assessments before there was a table of doses gets its rows by migration."""

from collections.abc import Iterator

import pytest
from sqlalchemy import select

from schemas.conclusions import StudyAssessed
from services.assessment.dose_ledger import DOSE
from services.assessment.worker import AssessmentHandler
from services.runtime.migrate import go_back, migrate
from services.runtime.store import Store
from tests.contract.test_assessment_worker import handle, newest
from tests.contract.test_patient_period import visit
from tests.room_facts import GROUP, rules

BEFORE = "0010"


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()


def rows(store: Store) -> list[dict[str, object]]:
    with store.read() as connection:
        found = connection.execute(select(DOSE).order_by(DOSE.c.study_instance_uid)).all()
    return [dict(row._mapping) for row in found]


def test_the_rows_are_those_that_the_worker_writes(store: Store) -> None:
    facts = visit(1, 0.0) + visit(2, 5.0, exposures=3)
    handle(store, facts, AssessmentHandler(GROUP, {"north": rules()}))
    written = rows(store)
    assert len(written) == 2
    go_back(store, BEFORE)
    migrate(store)
    assert rows(store) == written


def test_an_earlier_visit_counts_for_a_new_one_at_once(store: Store) -> None:
    handle(store, visit(1, 0.0), AssessmentHandler(GROUP, {"north": rules()}))
    go_back(store, BEFORE)
    migrate(store)
    handle(store, visit(2, 5.0), AssessmentHandler(GROUP, {"north": rules()}))
    study = newest(store)["2.25.2"]
    assert isinstance(study, StudyAssessed)
    assert study.dose.patient_period is not None
    assert study.dose.patient_period.studies == 2
