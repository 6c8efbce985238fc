"""Whether a line that the record holds is the one that we would post. Pure."""

from collections.abc import Sequence

from schemas.conclusions import EntryType
from services.records.port import Accepted, Answer, ChargePosting, HeldLine, Rejected


def answer_of(held: HeldLine, posting: ChargePosting) -> Answer:
    """Read a held line as the answer to the posting of its key, of which no answer came."""
    entry = posting.entry
    wanted = {
        "type": (held.type.value, entry.type.value),
        "reverses": (held.reverses, entry.reverses),
        "patient": (held.patient_id, posting.patient_id),
        "code": (held.code, entry.code),
        "quantity": (held.quantity, entry.quantity),
        "amount": (held.amount, entry.amount),
        "currency": (held.currency, posting.currency),
        "service day": (held.service_day, entry.service_day),
    }
    other = [f"{name} {is_!s} for {want!s}" for name, (is_, want) in wanted.items() if is_ != want]
    if other:
        return Rejected(
            f"{held.reference} is held under the key {posting.key} with {', '.join(other)}; "
            "nothing was changed, a person has to compare the two"
        )
    return Accepted(held.reference, held.posting_day)


def why_not_reversed(lines: Sequence[HeldLine], posting: ChargePosting) -> str | None:
    """Tell why a credit may not stand beside the lines of its study that are held, if so."""
    reversed_key = posting.entry.reverses
    charge = next((line for line in lines if line.posting_key == reversed_key), None)
    if charge is None:
        return f"there is no charge {reversed_key} for this study to reverse"
    for line in lines:
        if line.reverses == reversed_key and line.posting_key != posting.key:
            return f"charge {reversed_key} is reversed already, by {line.posting_key}"
    return why_not_against(charge, posting)


def why_not_against(held: HeldLine, posting: ChargePosting) -> str | None:
    """Tell why a credit does not fit the line that it names, if so."""
    if held.type is not EntryType.CHARGE:
        return f"{held.posting_key} is no charge"
    if held.patient_id != posting.patient_id:
        return f"charge {held.posting_key} is held for another patient"
    if held.currency != posting.currency or held.amount < posting.entry.amount:
        return (
            f"charge {held.posting_key} is held with {held.amount} {held.currency}; "
            f"{posting.entry.amount} {posting.currency} cannot be taken off it"
        )
    return None
