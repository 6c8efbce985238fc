"""The charges of one study from everything that is known of it. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, tzinfo

from schemas.conclusions import (
    ChargesAssessed,
    ImageShown,
    LedgerEntry,
    MovedPosting,
    PostingTask,
    StudyAssessed,
)
from schemas.facts import PostingAnswered, PostingOutcome
from schemas.tariffs import Tariff
from services.charges.case import images_in_order
from services.charges.ledger import Account, bring_up_to
from services.charges.pricing import price

_NO_WORDS = "(the record gave no reason)"


@dataclass(frozen=True, slots=True)
class RecordAnswer:
    """The newest that the record said to a posting."""

    at: datetime
    outcome: PostingOutcome
    words: str | None = None
    posting_day: date | None = None


@dataclass(frozen=True, slots=True)
class ChargedStudy:
    """One study as it is known. ``snapshot`` is what was last sent, at ``revision``."""

    released: bool = False
    assessment: StudyAssessed | None = None
    revision: int = 0
    snapshot: ChargesAssessed | None = None
    answers: Mapping[str, RecordAnswer] = field(default_factory=dict)

    def answered(self, answer: PostingAnswered, at: datetime) -> "ChargedStudy":
        """Keep an answer, unless a newer one is known."""
        known = self.answers.get(answer.posting_key)
        if known is not None and known.at >= at:
            return self
        now = RecordAnswer(at, answer.outcome, answer.words, answer.posting_day)
        return replace(self, answers={**self.answers, answer.posting_key: now})


def assess_charges(
    study: ChargedStudy, entries: tuple[LedgerEntry, ...], tariff: Tariff, zone: tzinfo
) -> tuple[ChargedStudy, tuple[LedgerEntry, ...]]:
    """Give the study with its charges brought up to date, and the ledger entries to add.

    ``tariff`` is the site's (``Tariff.at``), ``zone`` its time zone. The ledger becomes due when
    the study is closed or its charges are released; from the first entry on it stays in step with
    the study. The revision rises only where something changed.
    """
    assessment = study.assessment
    if assessment is None:
        return study, ()
    priced = price(assessment, tariff, zone)
    due = assessment.closed or study.released or bool(entries)
    added = bring_up_to(entries, priced.lines, _owner(assessment)) if due else ()
    ledger = (*entries, *added)
    snapshot = ChargesAssessed(
        revision=study.revision + 1,
        assessment_revision=assessment.revision,
        study_instance_uid=assessment.study_instance_uid,
        patient_id=assessment.patient_id,
        account=assessment.account,
        accession_number=assessment.accession_number,
        tariff=tariff.code,
        tariff_valid_from=tariff.valid_from,
        currency=tariff.currency,
        lines=priced.lines,
        not_charged=priced.not_charged,
        total=priced.total,
        prices_include_tax=tariff.tax.prices_include_tax if tariff.tax is not None else None,
        taxes=priced.taxes,
        total_with_tax=priced.total_with_tax,
        due=due,
        ledger=ledger,
        tasks=_tasks(ledger, study.answers),
        moved=_moved(ledger, study.answers),
        species=assessment.patient.species if assessment.patient is not None else None,
        plan=assessment.plan,
        shown=_shown(assessment),
    )
    if study.snapshot is not None and _content(snapshot) == _content(study.snapshot):
        return study, ()
    return replace(study, revision=snapshot.revision, snapshot=snapshot), added


def _tasks(
    ledger: tuple[LedgerEntry, ...], answers: Mapping[str, RecordAnswer]
) -> tuple[PostingTask, ...]:
    """What the record rejected, in its own words, for a person."""
    rejected = (
        (entry.posting_key, answers[entry.posting_key])
        for entry in ledger
        if entry.posting_key in answers
    )
    return tuple(
        PostingTask(posting_key=key, words=answer.words or _NO_WORDS)
        for key, answer in rejected
        if answer.outcome is PostingOutcome.REJECTED
    )


def _moved(
    ledger: tuple[LedgerEntry, ...], answers: Mapping[str, RecordAnswer]
) -> tuple[MovedPosting, ...]:
    """What the record holds under a later day than the work's, for its period was closed."""
    return tuple(
        MovedPosting(
            posting_key=entry.posting_key,
            service_day=entry.service_day,
            posting_day=answer.posting_day,
        )
        for entry in ledger
        if (answer := answers.get(entry.posting_key)) is not None
        and answer.outcome is PostingOutcome.ACCEPTED
        and answer.posting_day is not None
        and answer.posting_day != entry.service_day
    )


def _shown(assessment: StudyAssessed) -> tuple[ImageShown, ...]:
    """What each image shows, where that is known; one that is told twice counts once."""
    return tuple(
        ImageShown(sop_instance_uid=one.sop_instance_uid, view=one.view, teeth=one.teeth)
        for one in images_in_order(assessment)
        if one.view is not None or one.teeth
    )


def _owner(assessment: StudyAssessed) -> Account:
    return Account(
        assessment.study_instance_uid, assessment.patient_id, assessment.account, assessment.day
    )


def _content(snapshot: ChargesAssessed) -> ChargesAssessed:
    """Leave the counters out: they alone are no news."""
    return snapshot.model_copy(update={"revision": 1, "assessment_revision": 1})
