"""A FHIR record whose books are closed for the day of a charge, by the code of its refusal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from schemas.conclusions import EntryType
from schemas.facts import PostingAnswered, PostingOutcome
from services.records.adapters.fhir import FhirAdapter
from services.records.port import PeriodClosed, Rejected
from services.records.suite.samples import DAY, STUDY, charge_posting
from services.runtime.store import Store
from tests.contract.record_adapters.posting_desk import Desk, study_of
from tests.handled import sent_of
from tests.record_stand_ins.fhir_record import CLOSED, OPEN_DAY
from tests.record_stand_ins.fhir_server import FhirServer

APRIL = date(2026, 4, 1)
CODES = (
    f"charges_as_ours: true\nclosed_period: {{system: '{CLOSED['system']}', "
    f"code: {CLOSED['code']}, next_day_extension: '{OPEN_DAY}'}}\n"
)


@pytest.fixture
def adapter(fhir: FhirServer, tmp_path: Path) -> Iterator[FhirAdapter]:
    """The adapter of a group that knows the record's code of closed books."""
    codes = tmp_path / "codes.yaml"
    codes.write_text(CODES)
    made = fhir.adapter(codes=str(codes))
    yield made
    made.close()


@pytest.mark.parametrize("status", [422, 409, 403])
@pytest.mark.parametrize("batches", [False, True], ids=["single", "batch"])
def test_charges_and_credits_of_a_closed_day_go_under_the_first_open_one_and_say_so(
    fhir: FhirServer, adapter: FhirAdapter, store: Store, status: int, *, batches: bool
) -> None:
    fhir.behave(closed_through="2026-03-31", closed_status=status, batches=batches)
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"), study_of("P-2"))

    desk.post_all()

    assert set(desk.states().values()) == {"posted"}
    lines = adapter.read_charges()
    assert len(lines) == 6
    assert {(line.service_day, line.posting_day) for line in lines} == {(DAY, APRIL)}
    assert [line.type for line in lines].count(EntryType.CREDIT) == 2
    assert {(one.outcome, one.posting_day) for one in sent_of(store, PostingAnswered)} == {
        (PostingOutcome.ACCEPTED, APRIL)
    }


def test_a_charge_of_an_open_day_stays_under_it(fhir: FhirServer, adapter: FhirAdapter) -> None:
    fhir.behave(closed_through="2026-02-28")

    adapter.post_charge(charge_posting())

    (line,) = adapter.read_charges(study_instance_uid=STUDY)
    assert line.posting_day == line.service_day == DAY


def test_where_no_open_day_is_told_it_goes_under_today(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    fhir.behave(closed_through="2026-03-31", tells_open_day=False)
    before = datetime.now(UTC).date()

    answer = adapter.post_charge(charge_posting())

    assert isinstance(answer, PeriodClosed)
    assert before <= answer.next_open_day <= datetime.now(UTC).date()
    assert "books closed through 2026-03-31" in answer.words


def test_where_today_is_closed_too_a_person_is_told_and_it_does_not_go_round(
    fhir: FhirServer, adapter: FhirAdapter, store: Store
) -> None:
    later = datetime.now(UTC).date() + timedelta(days=30)
    fhir.behave(closed_through=later.isoformat(), tells_open_day=False)
    desk = Desk(store, adapter)
    desk.take(study_of("P-1", lines=1))

    desk.post_all(rounds=4)

    first = sent_of(store, PostingAnswered)[0]
    assert first.outcome is PostingOutcome.REJECTED
    assert "books closed" in (first.words or "")
    assert fhir.held("ChargeItem") == []


def test_without_the_code_in_the_groups_file_a_closed_day_is_a_refusal_in_words(
    fhir: FhirServer,
) -> None:
    fhir.behave(closed_through="2026-03-31")
    plain = fhir.adapter()

    answer = plain.post_charge(charge_posting())

    assert isinstance(answer, Rejected)
    assert "books closed through 2026-03-31" in answer.words
    plain.close()


def test_a_refusal_with_another_code_is_none_of_a_closed_day(
    fhir: FhirServer, tmp_path: Path
) -> None:
    codes = tmp_path / "codes.yaml"
    codes.write_text("charges_as_ours: true\nclosed_period: {code: INV-OTHER}\n")
    fhir.behave(closed_through="2026-03-31")
    other = fhir.adapter(codes=str(codes))

    assert isinstance(other.post_charge(charge_posting()), Rejected)
    other.close()
