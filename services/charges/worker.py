"""The charges worker: assessments and releases in, one study's charges out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from schemas.conclusions import ChargesAssessed, StudyAssessed
from schemas.envelope import Message, Payload, Source
from schemas.errors import InvalidInput
from schemas.facts.desk import ChargesReleased
from schemas.group import Group
from schemas.reconciliation import ReconciliationRules, load_reconciliation_rules
from schemas.tariffs import Tariff
from services.charges import store
from services.charges.assess import ChargedStudy, assess_charges
from services.charges.audit_chain import Audited, record
from services.charges.reconciling import TAKEN, Reconciler, note_study_days, study_acts
from services.runtime.worker import Work

SOURCE = Source(kind="service", name="charges")


@dataclass(frozen=True, slots=True)
class ChargesHandler:
    """Handles ``channels.CHARGES``. ``tariffs`` are all that are known, by code."""

    group: Group
    tariffs: Mapping[str, Tariff]
    rules: ReconciliationRules = field(default_factory=load_reconciliation_rules)

    def __call__(self, work: Work, messages: Sequence[Message[Payload]]) -> None:
        """Bring every study of the batch up to date once. Raises InvalidInput."""
        by_study: dict[tuple[str, str], list[Message[Payload]]] = {}
        of_record = [message for message in messages if isinstance(message.payload, TAKEN)]
        acts: list[Audited] = []
        for message in messages:
            if isinstance(message.payload, TAKEN):
                continue
            by_study.setdefault((message.site, _study_of(message)), []).append(message)
        # Always in the same order, so that two workers never wait for each other.
        for (site, study), told in sorted(by_study.items(), key=lambda item: item[0]):
            work.lock(f"charges:{study}")
            acts += self._bring_up_to_date(work, site, study, told)
        acts += Reconciler(self.group, self.rules).take(work, of_record)
        record(work, acts)

    def _bring_up_to_date(
        self, work: Work, site: str, study: str, told: Sequence[Message[Payload]]
    ) -> list[Audited]:
        before = store.read_study(work.connection, site, study)
        now = before
        for message in told:
            now = _take(now, message.payload)
        if now == before:
            return []
        entries = store.read_ledger(work.connection, site, study)
        tariff = self._tariff(site, before.snapshot if entries else None)
        after, added = assess_charges(now, entries, tariff)
        store.append(work.connection, site, study, len(entries), added)
        store.write_study(work.connection, site, study, after)
        if after.snapshot is not None and after.revision != before.revision:
            work.emit(told[-1].caused(after.snapshot, SOURCE))
        note_study_days(work.connection, site, study, after)
        return study_acts(site, study, before, after, added, told)

    def _tariff(self, site: str, posted: ChargesAssessed | None) -> Tariff:
        """Choose the site's tariff; what was posted under another stays under that one."""
        if posted is not None and posted.tariff in self.tariffs:
            return self.tariffs[posted.tariff]
        return tariff_of(self.group, site, self.tariffs)


def tariff_of(group: Group, site: str, tariffs: Mapping[str, Tariff]) -> Tariff:
    """Give a site's tariff; InvalidInput where the group's file names one that is not there."""
    code = group.site(site).tariff
    if code not in tariffs:
        raise InvalidInput(
            f"sites.{site}.tariff", code, f"one of {', '.join(tariffs)}; add its file to tariffs/"
        )
    return tariffs[code]


def _study_of(message: Message[Payload]) -> str:
    if isinstance(message.payload, StudyAssessed | ChargesReleased):
        return message.payload.study_instance_uid
    raise InvalidInput("kind", message.kind, "study_assessed or charges_released")


def _take(study: ChargedStudy, payload: Payload) -> ChargedStudy:
    """Keep what a message tells; an assessment that is not newer tells nothing."""
    if isinstance(payload, ChargesReleased):
        return replace(study, released=True)
    if isinstance(payload, StudyAssessed) and (
        study.assessment is None or payload.revision > study.assessment.revision
    ):
        return replace(study, assessment=payload)
    return study
