"""What changed in the device data since a note was signed, in plain words."""

from collections.abc import Sequence

from schemas.conclusions import NoteSection

MAX_PROPOSAL_CHARACTERS = 2_000
_MORE = "\n… and more: compare the study with the note."


def proposal(told: Sequence[NoteSection], now: Sequence[NoteSection]) -> str | None:
    """Propose an addendum from what is different, section by section; None where nothing is."""
    before = {section.section: section for section in told}
    after = {section.section: section for section in now}
    parts = []
    for name in [*after, *(name for name in before if name not in after)]:
        old = before[name].text.splitlines() if name in before else []
        new = after[name].text.splitlines() if name in after else []
        if name in before and name in after and old == new:
            continue
        title = (after.get(name) or before[name]).title
        gone = [f"  no longer: {line}" for line in old if line not in new]
        come = [f"  now: {line}" for line in new if line not in old]
        parts.append("\n".join([f"{title}:", *(gone + come or ["  in another order"])]))
    if not parts:
        return None
    words = "The device data changed after signing.\n" + "\n".join(parts)
    if len(words) <= MAX_PROPOSAL_CHARACTERS:
        return words
    return words[: MAX_PROPOSAL_CHARACTERS - len(_MORE)] + _MORE
