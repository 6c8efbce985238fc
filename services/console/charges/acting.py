"""What a person picked at the desk, what it will do, and the telling of it, one fact each."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import Final

from sqlalchemy import Connection

from schemas.conclusions.reconciled import Status
from schemas.envelope import Payload
from schemas.facts import (
    ChargeExceptionCountersigned,
    ChargeExceptionDecided,
    ChargesReleased,
    ExceptionAction,
)
from services.console.charges import deeds
from services.console.charges.bills import Bill, some_bills
from services.console.charges.deeds import Deed, Outcome
from services.console.charges.rows import Kind
from services.console.charges.views import Listed, some_exceptions
from services.console.charges.words import ACTIONS, STATUSES, money, put_right, will_do
from services.console.troubles import Trouble
from services.console.visit import Visit

MOST: Final = 60
"""What one confirmation bears: a page shows fewer."""


class What(StrEnum):
    """``RIGHT``: post or take off, whichever the exception asks for."""

    RIGHT = "right"
    ACCEPT = "accept"
    ASSIGN = "assign"
    COUNTERSIGN = "countersign"
    RELEASE = "release"


ROUTE: Final = {
    What.RIGHT: "decide",
    What.ACCEPT: "decide",
    What.ASSIGN: "decide",
    What.COUNTERSIGN: "countersign",
    What.RELEASE: "release",
}


@dataclass(frozen=True, slots=True)
class Pick:
    """What was ticked, and the mark of what was seen of it."""

    about: str
    mark: str

    @property
    def value(self) -> str:
        return f"{self.about}:{self.mark}"


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be done with everything that was picked."""

    what: What
    reason: str = ""
    posting_key: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that will be told, in words; or why it will not, in ``blocked``."""

    pick: Pick
    words: str
    day: date | None
    amount: Decimal
    currency: str
    note: str = ""
    fact: Payload | None = None
    blocked: str = ""


def picks_of(told: Sequence[str]) -> list[Pick]:
    """Read what a form picked. Raises Trouble."""
    found = [Pick(*one.rpartition(":")[::2]) for one in dict.fromkeys(told)]
    if not found:
        raise Trouble(422, "Nothing was picked, and nothing was done.",
                      "Go back and tick at least one line.")  # fmt: skip
    if len(found) > MOST or not all(one.about and one.mark for one in found):
        raise Trouble(422)
    return found


def items_of(
    connection: Connection, site: str, person: str, wish: Wish, picks: Sequence[Pick]
) -> list[Item]:
    """Say for each pick what will be told, by what is known now."""
    names = [one.about for one in picks]
    if wish.what is What.RELEASE:
        bills = some_bills(connection, site, names)
        return [_release(one, bills.get(one.about)) for one in picks]
    found = some_exceptions(connection, site, names)
    return [_decision(one, found.get(one.about), person, wish) for one in picks]


def _release(pick: Pick, bill: Bill | None) -> Item:
    if bill is None:
        return Item(pick, f"Study {pick.about}", None, Decimal(), "", blocked=GONE)
    words = f"{bill.patient}: let the charges of the study go out"
    if bill.due:
        words = f"{bill.patient}: send what the record refused again, under the same keys"
    item = Item(pick, words, bill.day, bill.amount, bill.currency)
    if bill.mark != pick.mark:
        return _blocked(item, f"{CHANGED} {bill.state}")
    if bill.due and not bill.refused:
        return _blocked(item, "There is nothing to release: the charges are out already.")
    return _with(item, fact=ChargesReleased(study_instance_uid=pick.about))


def _decision(pick: Pick, listed: Listed | None, person: str, wish: Wish) -> Item:
    if listed is None:
        return Item(pick, f"Exception {pick.about}", None, Decimal(), "", blocked=GONE)
    found, decision = listed.found, listed.found.decision
    action = _action(listed, wish)
    words = f"{found.code}, patient {found.patient_id}"
    if action is not None:
        words = will_do(listed, action, wish.posting_key)
    item = Item(pick, words, listed.day, found.at_stake, listed.currency)
    why_not = _why_not(pick, listed, person, wish, action)
    if why_not or action is None:
        return _blocked(item, why_not)
    if wish.what is What.COUNTERSIGN and decision is not None:
        agreed = ChargeExceptionCountersigned(
            exception_id=pick.about, day=listed.day, action=action
        )
        own = f"Countersign {decision.by}'s decision. {words}"
        return _with(item, words=own, note=decision.reason or "", fact=agreed)
    note = ""
    if found.needs_second:
        note = "More than your group's amount: it takes effect once a lead has countersigned."
    fact = ChargeExceptionDecided(
        exception_id=pick.about,
        day=listed.day,
        action=action,
        reason=wish.reason or None,
        posting_key=wish.posting_key or None,
    )
    return _with(item, note=note, fact=fact)


def _why_not(
    pick: Pick, listed: Listed, person: str, wish: Wish, action: ExceptionAction | None
) -> str:
    """Say why nothing will be told; empty where it will."""
    found = listed.found
    by = found.decision.by if found.decision is not None else ""
    second = wish.what is What.COUNTERSIGN
    under_way = found.status is Status.UNDER_WAY and listed.kind is not Kind.REFUSED
    checks = (
        (listed.mark != pick.mark, f"{CHANGED} {how_it_stands(listed)}"),
        (
            second and (not by or found.status is not Status.WAITS_FOR_SECOND),
            "It waits for no second person.",
        ),
        (
            second and by == person,
            "You decided it yourself. Another lead has to countersign it.",
        ),
        (
            not second and found.status is Status.ACCEPTED,
            "It was left as it is already, with a reason.",
        ),
        (
            not second and under_way,
            "It is decided already; the record does not show it yet.",
        ),
        (
            not second and action not in found.actions,
            "This cannot be done about it. It can be left as it is.",
        ),
    )
    return next((words for holds, words in checks if holds), "")


def _action(listed: Listed, wish: Wish) -> ExceptionAction | None:
    decision = listed.found.decision
    if wish.what is What.COUNTERSIGN:
        return decision.action if decision is not None else None
    if wish.what is What.RIGHT:
        return put_right(listed.found)
    return ExceptionAction.ACCEPT if wish.what is What.ACCEPT else ExceptionAction.ASSIGN


GONE: Final = "It is gone: what it rested on has changed since you looked."
CHANGED: Final = "Somebody or something changed it since you looked."


def how_it_stands(listed: Listed) -> str:
    """Say what was decided meanwhile, and by whom."""
    awaited, decision = listed.awaited, listed.found.decision
    if awaited is not None:
        return f"{awaited.person} sent a decision; the result is on its way."
    if decision is not None:
        second = f", countersigned by {decision.second}" if decision.second else ""
        return f"{decision.by} decided: {ACTIONS[decision.action]}{second}."
    return f"Now: {STATUSES[listed.found.status].lower()}."


def tell(visit: Visit, site: str, wish: Wish, items: Sequence[Item], batch: str) -> None:
    """Tell each item, in the person's name; what becomes of each is kept under ``batch``.

    Each is claimed before it is told, under a lock, so that of two people who send about the
    same thing the second sees the first. One that fails does not keep the others back.
    """
    account = visit.person.account
    store = visit.console.store
    for item in items:
        about = item.pick.about
        with store.begin() as connection:
            store.lock(connection, f"console:charge:{site}:{about}")
            (now,) = items_of(connection, site, account.person.name, wish, [item.pick])
            fact = now.fact.model_dump_json() if now.fact is not None else ""
            what = wish.what.value
            deed = deeds.begun(batch, about, what, item.day, account.key, item.words, fact)
            if not deeds.add_deed(connection, site, deed):
                continue  # this confirmation was sent before
            if now.fact is None:
                outcome = Outcome.MEANWHILE if _is_change(now.blocked) else Outcome.FAILED
                deeds.end_deed(connection, site, deed, outcome, now.blocked)
                continue
        _send(visit, site, deed, now.fact)


def tell_again(visit: Visit, site: str, batch: str) -> None:
    """Send once more what the person sent and what is not known to be kept.

    It goes as the same fact of the same moment: one that was kept after all is not doubled.
    """
    with visit.console.store.read() as connection:
        told = deeds.deeds_of(connection, site, batch)
    now = datetime.now(UTC)
    for deed in told:
        if deed.person != visit.person.account.key or not deed.goes_again:
            continue
        if deed.outcome is Outcome.SENDING and not deed.is_stuck(now):
            continue
        _send(visit, site, deed, _FACTS[What(deed.what)].model_validate_json(deed.fact))


_FACTS: Final[dict[What, type[Payload]]] = {
    What.RIGHT: ChargeExceptionDecided,
    What.ACCEPT: ChargeExceptionDecided,
    What.ASSIGN: ChargeExceptionDecided,
    What.COUNTERSIGN: ChargeExceptionCountersigned,
    What.RELEASE: ChargesReleased,
}


def _send(visit: Visit, site: str, deed: Deed, fact: Payload) -> None:
    store = visit.console.store
    outcome, words = Outcome.SENT, ""
    try:
        visit.console.door.tell(visit.person.account, site, fact, _tap(deed))
    except Trouble as trouble:
        outcome = Outcome.UNKNOWN if trouble.status in {502, 503} else Outcome.FAILED
        words = trouble.words.happened
    with store.begin() as connection:
        deeds.end_deed(connection, site, deed, outcome, words)


def _is_change(words: str) -> bool:
    return words.startswith((GONE, CHANGED))


def _tap(deed: Deed) -> str:
    """Each fact of a confirmation has its own mark, the same for the same one."""
    return hashlib.sha256(f"{deed.batch}:{deed.about}".encode()).hexdigest()[:32]


def _blocked(item: Item, words: str) -> Item:
    return Item(item.pick, item.words, item.day, item.amount, item.currency, blocked=words)


def _with(item: Item, fact: Payload, words: str = "", note: str = "") -> Item:
    return Item(item.pick, words or item.words, item.day, item.amount, item.currency, note, fact)


def totals(items: Sequence[Item]) -> str:
    """Say how much is at stake in what will be told."""
    sums: dict[str, Decimal] = {}
    for one in items:
        if one.fact is not None:
            sums[one.currency] = sums.get(one.currency, Decimal("0.00")) + one.amount
    return ", ".join(money(amount, currency) for currency, amount in sorted(sums.items()))
