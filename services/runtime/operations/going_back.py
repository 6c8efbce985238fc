"""How far the schema can be taken back without losing what nothing can make anew."""

from typing import Final

from schemas.errors import GomphosisError

LOST_BELOW: Final = {
    "0019": "the audit of who saw and did what (runtime_deed)",
    "0013": "decisions about charges, and the chained audit of money (charges_decision and others)",
    "0010": "the audit of who was refused (runtime_audit)",
    "0007": "performed steps, commitments and patients of the worklist (intake_step and others)",
    "0006": "what the record was given and said (records_posting)",
    "0005": "notes and their signatures (notes_study and others)",
    "0004": "the ledger of charges (charges_entry)",
    "0003": "facts as assessment heard them (assessment_fact)",
    "0002": "every fact (intake_fact)",
    "0001": "everything",
}
"""What going below a revision would lose for good. All else that a step back drops is made anew
by the step forth: sums, read models, marks of what is due. A new revision that keeps what cannot
be made anew is added here."""

FORGOTTEN_BELOW: Final = {
    "0028": "under which UID each revision of a note was written as a structured report",
    "0026": "who settled entries of the triage, why, and the copies that they edited",
    "0025": "what people sent from the charge desk; its days are told again by gomphosis retell",
    "0024": "older revisions of notes to compare, and what people sent of notes",
}
"""What going below a revision forgets, of little weight soon after an upgrade: it is named and has
to be accepted. The facts that people sent stay at intake, the deeds in the audit."""


class CannotGoBack(GomphosisError):  # noqa: N818 - a refusal, with its reason
    """A step back would lose what cannot be made anew."""


def expect_can_go_back(now: str | None, revision: str, *, accept: bool = False) -> None:
    """Raise CannotGoBack where ``revision`` is not older than ``now`` or lies too far back, and
    where it forgets something that was not accepted."""
    if now is None or not (len(revision) == len(now) and revision.isdigit() and revision < now):
        raise CannotGoBack(f"revision {revision}: expected one before {now}, such as 0022")
    lost = [words for below, words in LOST_BELOW.items() if revision < below <= now]
    if lost:
        raise CannotGoBack(
            f"revision {revision}: going back so far would lose {lost[0]}; "
            "restore a backup that the older version made"
        )
    forgotten = [words for below, words in FORGOTTEN_BELOW.items() if revision < below <= now]
    if forgotten and not accept:
        raise CannotGoBack(
            f"revision {revision}: expected --accept-loss, for going back forgets "
            + "; and ".join(forgotten)
        )
