"""The reasons that reconciliation gives, in plain words."""

from datetime import date

from services.charges.compared import Expected, Held
from services.charges.matching import SURE

MATCHED = "held as it was posted"
TOUCHED = "held as it was posted, though the record says that it was edited"
LOST = "the record accepted it and does not hold it"
OPEN = "on its way to the record"
NEVER_POSTED = "reversed before the record held it: nothing to do"
NO_SUPPORT = "entered by hand, and no image or charge of this patient supports it"
UNKNOWN_KEY = "carries a posting key that we never gave"
NO_IMAGE_NOW = "held as it was posted, and no image supports it any more"
CANCELLED = "entered and taken off again by hand: nothing is left of it"
CHANGED_AFTER = "put right before, and changed in the record since then"
DANGLING = "corrects a line that the record does not hold any more"


def rejected(entry: Expected) -> str:
    return f"the record rejected it: {entry.words or '(without words)'}"


def not_posted(entry: Expected, as_of: date) -> str:
    return f"not in the record {(as_of - entry.day).days} days after the work, and no answer yet"


def other_patient(entry: Expected, line: Held) -> str:
    return f"due for patient {entry.patient}, held for patient {line.patient}"


def other_code(entry: Expected, line: Held) -> str:
    amount = f", and {line.amount} instead of {entry.amount}" * (line.amount != entry.amount)
    return f"held under code {line.code} instead of {entry.code}{amount}"


def other_amount(entry: Expected, line: Held) -> str:
    return (
        f"held as {line.quantity} for {line.amount} instead of {entry.quantity} for {entry.amount}"
    )


def came_late(entry: Expected, day: date) -> str:
    return f"came into the record {(day - entry.day).days} days after the work"


def other_day(entry: Expected, line: Held) -> str:
    return f"held for {line.day}, the work was on {entry.day}"


def doubled_key(line: Held) -> str:
    return f"the same charge is held already, as {line.line_id}"


def doubled_content(entry: Expected) -> str:
    return f"the same work is charged already, as {entry.key}"


def by_hand(reason: str, confidence: float) -> str:
    """Say that a pair was found by its content, and whether a person should look."""
    if confidence < SURE:
        return f"entered by hand; {reason}; not certain ({confidence:.2f}): a person should look"
    return f"entered by hand; {reason}"


def perhaps_entry(reason: str, entry: Expected) -> str:
    return f"{reason}; perhaps it is {entry.key} of patient {entry.patient}: a person should look"


def perhaps_line(reason: str, line: Held) -> str:
    return f"{reason}; perhaps it is {line.line_id} at patient {line.patient}: a person should look"
