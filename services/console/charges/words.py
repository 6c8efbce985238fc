"""How the charge desk says things: kinds, states, amounts and the next action. Pure."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Final

from schemas.conclusions import ExceptionFound
from schemas.conclusions.reconciled import Class, Status
from schemas.facts.record_lines import ExceptionAction
from services.console.charges.rows import Kind
from services.console.charges.views import Listed

KINDS: Final[Mapping[Kind, str]] = {
    Kind.REFUSED: "Refused by the record",
    Kind.MISSING: "Missing in the record",
    Kind.DOUBLED: "Doubled",
    Kind.UNSUPPORTED: "Without support",
    Kind.CHANGED: "Changed by hand",
    Kind.OTHER_PATIENT: "At another patient",
    Kind.LATE: "Late",
}
STATUSES: Final[Mapping[Status, str]] = {
    Status.OPEN: "To be settled",
    Status.WAITS_FOR_SECOND: "Waits for a second person",
    Status.UNDER_WAY: "Decided; the record does not show it yet",
    Status.ACCEPTED: "Left as it is",
}
DIFFERENCES: Final[Mapping[Class, str]] = {
    Class.MATCHED: "held under another day or taken off by hand",
    Class.OPEN: "on its way",
    Class.MISSING: "missing",
    Class.DOUBLED: "doubled",
    Class.UNSUPPORTED: "without support",
    Class.AMOUNT_CHANGED: "amount changed by hand",
    Class.CODE_CHANGED: "code changed by hand",
    Class.OTHER_PATIENT: "at another patient",
    Class.LATE: "late",
}
ACTIONS: Final[Mapping[ExceptionAction, str]] = {
    ExceptionAction.POST: "bring the record to what is due",
    ExceptionAction.REVERSE: "take off what is not due",
    ExceptionAction.ACCEPT: "leave it as it is",
    ExceptionAction.ASSIGN: "say which charge the line is",
}
_TO_DO: Final[Mapping[Kind, str]] = {
    Kind.REFUSED: "Mend the cause in the record, then put it right: the same posting goes out "
    "again under its key.",
    Kind.MISSING: "Put it right: it is posted again under its key, by which a record that has it "
    "after all knows it.",
    Kind.DOUBLED: "Put it right: a credit takes the second line off.",
    Kind.UNSUPPORTED: "Look whether an image is still to come. Then put it right, which takes the "
    "line off.",
    Kind.CHANGED: "Ask who changed it. Put it right, or leave it as it is with the reason.",
    Kind.OTHER_PATIENT: "Look whose work it was. Put it right takes it off there and posts it "
    "where it belongs.",
    Kind.LATE: "Look whether the record takes postings. Then put it right.",
}


def money(amount: Decimal, currency: str = "") -> str:
    """Write an amount: a negative one has a sign, and the word credit."""
    sign = "\N{MINUS SIGN}" if amount < 0 else ""
    told = f"{sign}{abs(amount):,.2f}" + (f" {currency}" if currency else "")
    return f"{told} credit" if amount < 0 else told


def put_right(found: ExceptionFound) -> ExceptionAction | None:
    """Give the action that mends an exception; None where it can only be left as it is."""
    for action in (ExceptionAction.POST, ExceptionAction.REVERSE):
        if action in found.actions:
            return action
    return None


def next_action(listed: Listed) -> str:
    """Say in plain words what a person does next."""
    found, decision = listed.found, listed.found.decision
    if found.status is Status.WAITS_FOR_SECOND and decision is not None:
        return f"Another person, a lead, countersigns: {decision.by} decided it."
    if found.status is Status.UNDER_WAY:
        return "Nothing now: it is settled once the record shows it."
    if found.status is Status.ACCEPTED:
        return "Nothing: it was left as it is, with a reason."
    if put_right(found) is None:
        return "Leave it as it is, with the reason; or put it right in the record itself."
    if ExceptionAction.ASSIGN in found.actions:
        return f"{_TO_DO[listed.kind]} Or open it and say which charge it is."
    return _TO_DO[listed.kind]


def will_do(listed: Listed, action: ExceptionAction, key: str = "") -> str:
    """Say what a decision will do, before it is confirmed."""
    found = listed.found
    due = money(found.due, listed.currency) if found.due is not None else ""
    held = money(found.held, listed.currency) if found.held is not None else ""
    what = f"{found.code}, patient {found.patient_id}"
    if action is ExceptionAction.ASSIGN:
        return f"{what}: the line {found.line_id} is the charge {key}"
    if action is ExceptionAction.ACCEPT:
        return f"{what}: leave as it is ({held or 'nothing'} held, {due or 'nothing'} due)"
    if action is ExceptionAction.REVERSE:
        return f"{what}: take {held} off by a line that is added"
    if found.held is None:
        return f"{what}: post {due} again, under its key {found.posting_key}"
    return f"{what}: bring {held} to {due} by lines that are added; nothing is edited"
