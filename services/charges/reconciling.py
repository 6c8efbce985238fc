"""Facts about the record's lines and people's decisions: kept, and followed where they bind."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from uuid import NAMESPACE_OID, uuid5

from sqlalchemy import Connection, select

from schemas.conclusions import EntryType, LedgerEntry
from schemas.conclusions.corrections import ChargesCorrected, CorrectionEntry
from schemas.envelope import Message, Payload, Source
from schemas.facts import ChargesReleased, PostingAnswered
from schemas.facts.record_lines import (
    ChargeExceptionCountersigned,
    ChargeExceptionDecided,
    RecordLinesRead,
)
from schemas.group import Group, Role
from schemas.reconciliation import ReconciliationRules
from services.charges import reconcile_store
from services.charges.assess import ChargedStudy
from services.charges.audit_chain import Audited
from services.charges.books_store import load_books
from services.charges.effects import Correction, Effect, effects_of
from services.charges.effects_store import read_effects
from services.charges.exceptions import Agreement, ChargeException, Decision, worklist
from services.charges.reconcile import reconcile
from services.charges.reconcile_tables import DECISION, EFFECT
from services.charges.stored_forms import effect_dict
from services.runtime.worker import Work

SOURCE = Source(kind="service", name="charges")

TAKEN = (
    PostingAnswered,
    RecordLinesRead,
    ChargeExceptionDecided,
    ChargeExceptionCountersigned,
)
"""The payloads that ``Reconciler.take`` is for."""

_MOST_ROUNDS = 5
"""An assignment may make another decision bind; each round follows at least one more."""


@dataclass(frozen=True, slots=True)
class Reconciler:
    """Keeps what reconciliation rests on and does what decisions in force ask for.

    ``touched``: the days of which ``take`` changed something, each with its site.
    """

    group: Group
    rules: ReconciliationRules
    touched: set[tuple[str, date]] = field(default_factory=set)

    def take(self, work: Work, messages: Sequence[Message[Payload]]) -> list[Audited]:
        """Keep facts and follow what they make binding; gives what has to be audited."""
        acts: list[Audited] = []
        by_site: dict[str, list[Message[Payload]]] = {}
        for message in messages:
            by_site.setdefault(message.site, []).append(message)
        for site, told in sorted(by_site.items()):
            work.lock(f"charges-reconcile:{site}")
            touched: dict[date, Message[Payload]] = {}
            for message in told:
                day = self._keep(work, message, acts)
                if day is not None:
                    touched[day] = message
            self.touched.update((site, day) for near in touched for day in self._near(near))
            for day in _days_with_decisions(work.connection, site, touched):
                nearest = min(touched, key=lambda one: abs((one - day).days))
                acts += self._follow(work, site, day, touched[nearest])
        return acts

    def _keep(self, work: Work, message: Message[Payload], acts: list[Audited]) -> date | None:
        """Keep one fact; give the day whose decisions it may make binding."""
        site, told = message.site, message.payload
        if isinstance(told, PostingAnswered):
            reconcile_store.take_answer(work.connection, site, told, message.occurred_at)
            acts.append(_act(message, f"posting {told.outcome}", told.posting_key))
            return None
        if isinstance(told, RecordLinesRead):
            whole = reconcile_store.take_lines(work.connection, site, told)
            return told.day if whole else None
        if isinstance(told, ChargeExceptionDecided | ChargeExceptionCountersigned):
            person = message.source.name
            at = message.occurred_at
            if reconcile_store.take_decision(work.connection, site, told, person, at):
                acts.append(_act(message, told.KIND, told.exception_id))
                return told.day
        return None

    def _follow(self, work: Work, site: str, day: date, cause: Message[Payload]) -> list[Audited]:
        acts: list[Audited] = []
        for _ in range(_MOST_ROUNDS):
            before = read_effects(work.connection, site, day, day)
            tried = {effect.exception_id for effect, _ in before if effect.again}
            new = [
                (effect, currency)
                for listed, currency in self.listed(work.connection, site, day, day)
                for effect in effects_of(listed, tried)
                if reconcile_store.add_effect(
                    work.connection, site, effect, currency, datetime.now(UTC)
                )
            ]
            if not new:
                break
            self.touched.update((site, one.day) for told, _ in new for one in told.corrections)
            self.touched.add((site, day))
            for effect, currency in new:
                acts.append(_effect_act(site, effect, currency))
                told = corrected(effect, currency)
                if told.again or told.entries:
                    work.emit(cause.caused(told, SOURCE))
        return acts

    def listed(
        self, connection: Connection, site: str, first: date, last: date, as_of: date | None = None
    ) -> list[tuple[tuple[ChargeException, ...], str]]:
        """Give the exceptions of some days with their status, and the currency of each list."""
        today = as_of or datetime.now(self.group.site(site).zone).date()
        decisions, agreements = self.decided(connection, site, first, last)
        lists: list[tuple[tuple[ChargeException, ...], str]] = []
        for loaded in load_books(connection, site, first, last, self.rules):
            findings = reconcile(loaded.books, self.rules, today)
            own = [one for one in findings if first <= one.day <= last]
            listed = worklist(site, own, self.rules, decisions, agreements, today)
            lists.append((listed, loaded.books.currency))
        return lists

    def decided(
        self, connection: Connection, site: str, first: date, last: date
    ) -> tuple[list[Decision], list[Agreement]]:
        """Read what people decided about some days, with the roles that they have now."""
        decisions: list[Decision] = []
        agreements: list[Agreement] = []
        rows = connection.execute(
            select(DECISION).where(DECISION.c.site == site, DECISION.c.day.between(first, last))
        )
        for row in rows:
            who = (row.person, self._roles(site, row.person), row.at)
            if row.kind == ChargeExceptionDecided.KIND:
                told = ChargeExceptionDecided.model_validate_json(row.body)
                decisions.append(
                    Decision(told.exception_id, told.action, *who, told.reason, told.posting_key)
                )
            else:
                agreed = ChargeExceptionCountersigned.model_validate_json(row.body)
                agreements.append(Agreement(agreed.exception_id, agreed.action, *who))
        return decisions, agreements

    def _near(self, day: date) -> list[date]:
        """Give the days whose lines by hand may be explained by what a day holds."""
        reach = self.rules.match_window_days
        return [day + timedelta(days=number) for number in range(-reach, reach + 1)]

    def _roles(self, site: str, person: str) -> frozenset[Role]:
        """Give the roles of one of the site's own people, or of one who works for every site."""
        return frozenset(
            role
            for one in self.group.sites
            for member in one.people
            if member.name == person and (one.name == site or member.reach == "group")
            for role in member.roles
        )


def study_acts(
    site: str,
    study: str,
    before: ChargedStudy,
    after: ChargedStudy,
    added: Sequence[LedgerEntry],
    told: Sequence[Message[Payload]],
) -> list[Audited]:
    """Give what is audited of a study: its releases, its price, and each entry that was added."""
    acts = [
        _act(message, message.kind, study)
        for message in told
        if isinstance(message.payload, ChargesReleased)
    ]
    for entry in added:
        body = entry.model_dump(mode="json", include=_ENTRY_FIELDS)
        action = "reversed" if entry.type is EntryType.CREDIT else "charged"
        acts.append(Audited(site, "service:charges", action, entry.posting_key, None, body))
    old = before.snapshot.total if before.snapshot is not None else None
    new = after.snapshot.total if after.snapshot is not None else None
    if old != new:
        acts.append(
            Audited(
                site,
                "service:charges",
                "priced",
                study,
                None if old is None else {"total": str(old)},
                None if new is None else {"total": str(new)},
            )
        )
    return acts


def study_days(state: ChargedStudy) -> set[date]:
    """Give the days on which a study is to be found."""
    if state.assessment is None or state.snapshot is None:
        return set()
    return {state.assessment.day} | {one.service_day for one in state.snapshot.ledger}


_ENTRY_FIELDS = {"code", "quantity", "amount", "patient_id", "service_day", "reverses", "reason"}


def _act(message: Message[Payload], action: str, subject: str) -> Audited:
    source = message.source
    after = message.payload.model_dump(mode="json", exclude_none=True)
    after["at"] = message.occurred_at.isoformat()
    return Audited(message.site, f"{source.kind}:{source.name}", action, subject, None, after)


def _effect_act(site: str, effect: Effect, currency: str) -> Audited:
    decision = effect.force.decision
    people = decision.person + (f"+{effect.force.second}" if effect.force.second else "")
    before = {"class": effect.kind.value, "at_stake": str(effect.at_stake)}
    return Audited(
        site,
        f"person:{people}",
        f"exception {decision.action}",
        effect.exception_id,
        before,
        effect_dict(effect, currency),
    )


def corrected(effect: Effect, currency: str) -> ChargesCorrected:
    """Tell an effect to the records service."""
    decision = effect.force.decision
    return ChargesCorrected(
        exception_id=effect.exception_id,
        action=decision.action,
        decided_by=decision.person,
        decided_at=decision.at,
        countersigned_by=effect.force.second,
        currency=currency,
        again=effect.again,
        entries=tuple(_entry(effect, one) for one in effect.corrections),
    )


def _entry(effect: Effect, one: Correction) -> CorrectionEntry:
    # Without a study of ours: a UID made from a name (DICOM PS3.5
    # annex B.2, form 2.25; from memory).
    made = f"2.25.{uuid5(NAMESPACE_OID, effect.exception_id).int}"
    return CorrectionEntry(
        posting_key=one.key,
        type=EntryType.CREDIT if one.amount < 0 else EntryType.CHARGE,
        patient_id=one.patient,
        study_instance_uid=one.study or made,
        code=one.code,
        amount=abs(one.amount),
        service_day=one.day,
        corrects=one.corrects,
        reason=f"{effect.kind.value}; decided by {effect.force.decision.person}",
    )


def _days_with_decisions(
    connection: Connection, site: str, touched: Collection[date]
) -> list[date]:
    """Give the days near those touched on which a decision was taken that did nothing yet.

    A line that is read anew on one day may explain an exception of a day before or after.
    """
    if not touched:
        return []
    done = select(EFFECT.c.exception_id).where(
        EFFECT.c.site == site,
        EFFECT.c.exception_id == DECISION.c.exception_id,
        EFFECT.c.decided_at == DECISION.c.at,
    )
    days = connection.execute(
        select(DECISION.c.day)
        .where(
            DECISION.c.site == site,
            DECISION.c.kind == ChargeExceptionDecided.KIND,
            DECISION.c.day.between(min(touched) - _NEAR, max(touched) + _NEAR),
            ~done.exists(),
        )
        .distinct()
        .order_by(DECISION.c.day)
    )
    return list(days.scalars())


_NEAR = timedelta(days=31)
