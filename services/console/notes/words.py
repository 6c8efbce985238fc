"""What a note's page says of its state, its age and who may do what. Pure."""

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Final

from schemas.conclusions import (
    ImageResult,
    ImageUse,
    NoteSection,
    NoteWritten,
    StudyAssessed,
    WordsOp,
)
from schemas.group import Person, Role, Site
from schemas.note_layout import FINDINGS, PART_BY_NAME
from services.console.accounts import Account

DRAFT: Final = "DRAFT, NOT SIGNED. Not a diagnosis. To be corrected and signed by a licensed vet."
PICTURES_CAUTION: Final = (
    "Small pictures to tell the views apart. Read the images where they are diagnostic."
)
_STATES: Final = {
    "draft": "draft",
    "amended": "draft with a person's words",
    "signed": "signed",
    "posted": "signed, taken by the record",
    "addended": "signed, with addendum",
}
_WAITS: Final = {
    "signature": "a vet's signature",
    "cosignature": "a vet's signature after a trainee's",
    "addendum": "a vet: an addendum is proposed",
}


def state_words(state: str | None) -> str:
    return _STATES.get(state or "", "not known yet")


def waits_words(waits_for: str | None) -> str:
    """Say whom a note waits for."""
    return _WAITS.get(waits_for or "", "nobody")


def age_words(hours: float) -> str:
    """Write an age: hours for two days, then days."""
    if hours < 1.0:
        return "under 1 h"
    if hours < 48.0:
        return f"{int(hours)} h"
    return f"{int(hours // 24)} d {int(hours % 24)} h"


def named(site: Site, name: str) -> str:
    """Give a person's title and short name."""
    found = next((person for person in site.people if person.name == name), None)
    return f"{found.title} ({name})" if found is not None else name


def moment_words(moment: datetime, site: Site) -> str:
    """Write a moment by the site's clock."""
    return f"{moment.astimezone(site.zone):%Y-%m-%d %H:%M}"


def banner(note: NoteWritten, site: Site) -> str:
    """Say who signed a note, or that it is a draft."""
    if note.signer is not None and note.signed_at is not None:
        return f"Signed by {named(site, note.signer)}, {moment_words(note.signed_at, site)}."
    return DRAFT


@dataclass(frozen=True, slots=True)
class Allowed:
    """What a person may do with a note now. ``why_not``: said in place of the signature's form."""

    writes: bool
    signs: bool
    adds: bool
    releases: bool
    signs_alone: bool
    why_not: str | None = None


def allowed(note: NoteWritten, account: Account, site: Site) -> Allowed:
    """Tell what a person may do: a note is written and signed by vets of its own site alone."""
    person, own = account.person, account.site.name == site.name
    author = own and bool({Role.VET, Role.TRAINEE} & set(person.roles))
    unsigned = note.signer is None
    return Allowed(
        writes=author and unsigned,
        signs=author and unsigned,
        adds=author and not unsigned and person.signs_alone,
        releases=note.task is not None and bool({Role.VET, Role.LEAD} & set(person.roles)),
        signs_alone=person.signs_alone,
        why_not=_why_not(person, own=own) if unsigned and not author else None,
    )


def _why_not(person: Person, *, own: bool) -> str:
    if {Role.VET, Role.TRAINEE} & set(person.roles) and not own:
        return "A note is signed by a vet of the site where the images were taken."
    return "A note is corrected and signed by a licensed vet of this site."


def is_amendable(section: NoteSection) -> bool:
    """Tell whether a person may write in a section."""
    part = PART_BY_NAME.get(section.section)
    return part is not None and part.amendable


def own_words(note: NoteWritten, section: NoteSection) -> str:
    """Give what a person would go on writing: their own words, without the device data below."""
    for one in note.differences:
        if one.section == section.section:
            return "".join(run.text for run in one.runs if run.op is not WordsOp.REMOVED)
    return section.text.partition("\n\n(Written by ")[0]


def text_sha256(section: NoteSection | None) -> str:
    """Name a section's text, to tell whether it has changed since it was shown."""
    return sha256((section.text if section is not None else "").encode()).hexdigest()


def section_of(note: NoteWritten, name: str) -> NoteSection | None:
    return next((one for one in note.sections if one.section == name), None)


def region_words(section: NoteSection) -> str | None:
    """Name the region that a finding's prompt is about."""
    names = {part.name: " ".join(region.split("-")[::-1]) for region, part in FINDINGS.items()}
    return names.get(section.section)


@dataclass(frozen=True, slots=True)
class Shown:
    """An image beside the note: what it shows, and what it is to its study."""

    sop_instance_uid: str
    title: str
    words: str


_USES: Final = {
    ImageUse.VIEW: "shows the view",
    ImageUse.REPEAT: "repeat",
    ImageUse.EXTRA: "not of the plan",
    ImageUse.REJECTED: "rejected",
    ImageUse.UNASSIGNED: "no view named yet",
}


def images_of(study: StudyAssessed) -> tuple[tuple[Shown, ...], tuple[Shown, ...]]:
    """Give the images of the planned views in the plan's order, and the others as they came."""
    order = {view.view: place for place, view in enumerate(study.views)}
    of_views = sorted(
        (one for one in study.images if one.use is ImageUse.VIEW),
        key=lambda one: (order.get(one.view or "", len(order)), one.acquired_at),
    )
    others = sorted(
        (one for one in study.images if one.use is not ImageUse.VIEW),
        key=lambda one: one.acquired_at,
    )
    titles = {view.view: view.title for view in study.views}
    return (
        tuple(_shown(one, titles) for one in of_views),
        tuple(_shown(one, titles) for one in others),
    )


def _shown(image: ImageResult, titles: dict[str, str]) -> Shown:
    title = titles.get(image.view or "") or image.view
    if title is None:
        title = f"teeth {', '.join(map(str, image.teeth))}" if image.teeth else "view not named"
    return Shown(image.sop_instance_uid, title, _USES[image.use])
