"""The charges worker: assessments, releases and the record's answers in, charges out."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime

from schemas.conclusions import ChargesAssessed, LedgerEntry, StudyAssessed
from schemas.envelope import Message, Payload, Source
from schemas.errors import InvalidInput
from schemas.facts import ChargesReleased, PostingAnswered
from schemas.group import Group
from schemas.reconciliation import ReconciliationRules, load_reconciliation_rules
from schemas.tariffs import Tariff, TariffBook
from services.charges import day_store, store
from services.charges.assess import ChargedStudy, assess_charges
from services.charges.audit_chain import Audited, record
from services.charges.reconcile_store import note_days
from services.charges.reconciling import TAKEN, Reconciler, study_acts, study_days
from services.runtime.by_keys import Key
from services.runtime.worker import Work

SOURCE = Source(kind="service", name="charges")


@dataclass(frozen=True, slots=True)
class ChargesHandler:
    """Handles ``channels.CHARGES``. ``tariffs`` are all that are known, by code."""

    group: Group
    tariffs: TariffBook
    rules: ReconciliationRules = field(default_factory=load_reconciliation_rules)

    def __call__(self, work: Work, messages: Sequence[Message[Payload]]) -> None:
        """Bring every study of the batch up to date once. Raises InvalidInput."""
        by_study: dict[tuple[str, str], list[Message[Payload]]] = {}
        of_record = [message for message in messages if isinstance(message.payload, TAKEN)]
        acts: list[Audited] = []
        soon: set[tuple[str, date]] = set()
        for message in messages:
            if _is_about_a_study(message.payload):
                by_study.setdefault((message.site, _study_of(message)), []).append(message)
        # Always in the same order, so that two workers never wait for each other.
        work.lock_all(f"charges:{study}" for study in sorted({study for _, study in by_study}))
        kept = store.read_studies(work.connection, by_study)
        ledgers = store.read_ledgers(work.connection, by_study)
        changed: dict[Key, ChargedStudy] = {}
        days: dict[Key, set[date]] = {}
        for (site, study), told in sorted(by_study.items(), key=lambda item: item[0]):
            key = site, study
            after = self._bring_up_to_date(work, key, kept[key], ledgers[key], told, acts)
            if after is None:
                continue
            days[key] = study_days(after)
            if replace(after, answers=kept[key].answers) == kept[key] != ChargedStudy():
                store.write_answers(work.connection, site, study, after)
            else:
                changed[key] = after
        store.write_studies(work.connection, changed)
        note_days(work.connection, days)
        soon |= {(site, day) for (site, _study), own in days.items() for day in own}
        reconciler = Reconciler(self.group, self.rules)
        acts += reconciler.take(work, of_record)
        record(work, acts)
        self._mark_days(work, messages, soon, reconciler.touched)

    @staticmethod
    def _mark_days(
        work: Work,
        messages: Sequence[Message[Payload]],
        soon: set[tuple[str, date]],
        at_once: set[tuple[str, date]],
    ) -> None:
        """Have the days that the batch is about told anew, last, for their rows are shared."""
        now = datetime.now(UTC)
        keys: dict[str, set[str]] = {}
        for message in messages:
            told = message.payload
            if isinstance(told, PostingAnswered) and not _is_about_a_study(told):
                keys.setdefault(message.site, set()).add(told.posting_key)
        for site, own in keys.items():
            soon |= {(site, day) for day in day_store.correction_days(work.connection, site, own)}
        due = dict.fromkeys(soon, now + day_store.SETTLE) | dict.fromkeys(at_once, now)
        day_store.mark_days(work.connection, due)

    def _bring_up_to_date(
        self,
        work: Work,
        key: Key,
        before: ChargedStudy,
        entries: tuple[LedgerEntry, ...],
        told: Sequence[Message[Payload]],
        acts: list[Audited],
    ) -> ChargedStudy | None:
        """Give the study as it is now, still to be written; None where nothing is new."""
        site, study = key
        now = before
        for message in told:
            now = _take(now, message)
        if now == before:
            return None
        after, added = now, tuple[LedgerEntry, ...]()
        if now.assessment is not None:
            posted = before.snapshot if entries else None
            tariff = self._tariff(site, posted, now.assessment.day).at(site)
            after, added = assess_charges(now, entries, tariff, self.group.site(site).zone)
        store.append(work.connection, site, study, len(entries), added)
        if after.snapshot is not None and after.revision != before.revision:
            work.emit(told[-1].caused(after.snapshot, SOURCE))
        acts += study_acts(site, study, before, after, added, told)
        return after

    def _tariff(self, site: str, posted: ChargesAssessed | None, day: date) -> Tariff:
        """Choose the site's tariff of the day; what was posted under another stays under it."""
        if posted is not None and posted.tariff in self.tariffs:
            return self.tariffs.on(posted.tariff, day)
        return self.tariffs.on(tariff_code(self.group, site, self.tariffs), day)


def tariff_code(group: Group, site: str, tariffs: TariffBook) -> str:
    """Give the code of a site's tariff.

    Raises InvalidInput where the group's file names one that is not there.
    """
    code = group.site(site).tariff
    if code not in tariffs:
        raise InvalidInput(
            f"sites.{site}.tariff", code, f"one of {', '.join(tariffs)}; add its file to tariffs/"
        )
    return code


def _study_of(message: Message[Payload]) -> str:
    if isinstance(message.payload, StudyAssessed | ChargesReleased | PostingAnswered):
        return message.payload.study_instance_uid
    raise InvalidInput("kind", message.kind, "study_assessed, charges_released or posting_answered")


def _is_about_a_study(payload: Payload) -> bool:
    """Tell whether a study's own charges follow from it: a note's posting is none of them."""
    if isinstance(payload, PostingAnswered):
        return payload.posting_key.startswith("charge:")
    return not isinstance(payload, TAKEN)


def _take(study: ChargedStudy, message: Message[Payload]) -> ChargedStudy:
    """Keep what a message tells; what is not newer than what is known tells nothing."""
    payload = message.payload
    if isinstance(payload, PostingAnswered):
        return study.answered(payload, message.occurred_at)
    if isinstance(payload, ChargesReleased):
        return replace(study, released=True)
    if isinstance(payload, StudyAssessed) and (
        study.assessment is None or payload.revision > study.assessment.revision
    ):
        return replace(study, assessment=payload)
    return study
