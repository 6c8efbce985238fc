"""What a record gives back of single lines, and how it takes a correction of one."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

from schemas.facts import RecordLine
from services.records.port import PatientRecord, Rejected
from services.records.suite.given import Given, accepted
from services.records.suite.samples import (
    DAY,
    SITE,
    charge_posting,
    correction_posting,
    credit,
    entry,
)


class LineCases(Given):
    """``read_lines`` and ``correct_charge``."""

    def test_a_correction_is_held_beside_the_line_that_it_corrects_and_once(
        self, record: PatientRecord
    ) -> None:
        record.post_charge(charge_posting())
        (before,) = record.read_lines(SITE, DAY, DAY)
        assert isinstance(before, RecordLine)
        posting = correction_posting(before.line_id)

        references = {accepted(record.correct_charge(posting)) for _ in range(3)}

        assert len(references) == 1
        lines = [one for one in record.read_lines(SITE, DAY, DAY) if isinstance(one, RecordLine)]
        assert sorted((one.posting_key, one.amount) for one in lines) == [
            (entry().posting_key, Decimal("38.00")),
            (posting.key, Decimal("-38.00")),
        ]
        assert before in lines

    def test_a_correction_with_other_content_under_the_same_key_is_rejected(
        self, record: PatientRecord
    ) -> None:
        accepted(record.correct_charge(correction_posting("L-1")))

        answer = record.correct_charge(correction_posting("L-1", amount=Decimal("1.00")))

        assert isinstance(answer, Rejected)
        (line,) = record.read_lines(SITE, DAY, DAY)
        assert isinstance(line, RecordLine)
        assert line.amount == Decimal("-38.00")

    def test_lines_are_read_back_by_site_and_day_with_their_sign(
        self, record: PatientRecord
    ) -> None:
        for number, day in ((1, DAY), (2, DAY + timedelta(days=1)), (3, DAY + timedelta(days=9))):
            record.post_charge(charge_posting(entry(number, service_day=day)))
        record.reverse_charge(charge_posting(credit(4, entry(1).posting_key)))
        record.post_charge(charge_posting(entry(5, posting_key="charge:south:1"), site="south"))

        lines = list(record.read_lines(SITE, DAY, DAY + timedelta(days=1)))

        assert all(isinstance(one, RecordLine) for one in lines)
        told = {(one.posting_key, one.amount) for one in lines if isinstance(one, RecordLine)}
        assert told == {
            (entry(1).posting_key, Decimal("38.00")),
            (entry(2).posting_key, Decimal("38.00")),
            (entry(4).posting_key, Decimal("-38.00")),
        }
        again = list(record.read_lines(SITE, DAY, DAY + timedelta(days=1)))
        assert again == lines, "a line keeps its id and all else while nobody touches it"
