"""The charges of one study from everything that is known of it. Pure."""

from dataclasses import dataclass, replace

from schemas.conclusions import ChargesAssessed, LedgerEntry, StudyAssessed
from schemas.tariffs import Tariff
from services.charges.ledger import Account, bring_up_to
from services.charges.pricing import price


@dataclass(frozen=True, slots=True)
class ChargedStudy:
    """One study as it is known. ``snapshot`` is what was last sent, at ``revision``."""

    released: bool = False
    assessment: StudyAssessed | None = None
    revision: int = 0
    snapshot: ChargesAssessed | None = None


def assess_charges(
    study: ChargedStudy, entries: tuple[LedgerEntry, ...], tariff: Tariff
) -> tuple[ChargedStudy, tuple[LedgerEntry, ...]]:
    """Give the study with its charges brought up to date, and the ledger entries to add.

    The ledger becomes due when the study is closed or its charges are released; from the first
    entry on it stays in step with the study. The revision rises only where something changed.
    """
    assessment = study.assessment
    if assessment is None:
        return study, ()
    priced = price(assessment, tariff)
    due = assessment.closed or study.released or bool(entries)
    added = bring_up_to(entries, priced.lines, _owner(assessment)) if due else ()
    snapshot = ChargesAssessed(
        revision=study.revision + 1,
        assessment_revision=assessment.revision,
        study_instance_uid=assessment.study_instance_uid,
        patient_id=assessment.patient_id,
        account=assessment.account,
        accession_number=assessment.accession_number,
        tariff=tariff.code,
        currency=tariff.currency,
        lines=priced.lines,
        not_charged=priced.not_charged,
        total=priced.total,
        due=due,
        ledger=(*entries, *added),
    )
    if study.snapshot is not None and _content(snapshot) == _content(study.snapshot):
        return study, ()
    return replace(study, revision=snapshot.revision, snapshot=snapshot), added


def _owner(assessment: StudyAssessed) -> Account:
    return Account(
        assessment.study_instance_uid, assessment.patient_id, assessment.account, assessment.day
    )


def _content(snapshot: ChargesAssessed) -> ChargesAssessed:
    """Leave the counters out: they alone are no news."""
    return snapshot.model_copy(update={"revision": 1, "assessment_revision": 1})
