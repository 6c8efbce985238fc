"""What a person does at the notes desk: keep a change, sign, add to a signed note, release it."""

from datetime import UTC, datetime
from typing import Annotated, Final

from fastapi import Form
from fastapi.responses import Response

from schemas.facts import NoteAddended, NoteAmended, NoteReleased, NoteSigned
from schemas.facts.desk import Sha256
from services.console.notes import words
from services.console.notes.comparing import changes_between
from services.console.notes.desk import OnDesk
from services.console.notes.following import on_their_way, own_deeds, refusal_of
from services.console.notes.lists import Shown, next_to_sign
from services.console.notes.revisions import revision_that_said
from services.console.notes.sent_store import NoteFact, Sent, keep_sent
from services.console.pages.notes import note_page, own_note
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting
from services.runtime.differences import words_runs

Tap = Annotated[str, Form(max_length=64)]
Typed = Annotated[str, Form(min_length=1, max_length=1_000)]
Text = Annotated[str, Form(max_length=10_000)]
_WRONG_PROOF: Final = frozenset({403, 429})


def amend(
    visit: Visiting,
    site: str,
    study: str,
    tap: Tap,
    section: Annotated[str, Form(max_length=64)],
    was: Annotated[Sha256, Form()],
    text: Text = "",
    show: Annotated[Shown, Form()] = Shown.WAITING,
) -> Response:
    """Keep a change of a section, unless somebody changed it meanwhile."""
    desk = own_note(visit, site, study, show)
    _check(desk, may=desk.allowed.writes)
    own = words.section_of(desk.page.note, section)
    if own is None or not words.is_amendable(own):
        raise Trouble(422, "Nothing was done: this section is not one to write in.")
    text = _lines(text)
    if was != words.text_sha256(own):
        return visit.page(
            "note_section_changed.html",
            409,
            d=desk,
            section=own,
            was=words.text_sha256(own),
            text=text,
            runs=words_runs(words.own_words(desk.page.note, own), text),
            show=show,
        )
    fact = NoteAmended(study_instance_uid=study, section=section, text=text)
    _tell(visit, site, desk, fact, tap)
    return visit.go_to(f"{_address(site, study, show)}#section-{section}")


def sign(
    visit: Visiting,
    site: str,
    study: str,
    tap: Tap,
    seen: Annotated[Sha256, Form()],
    typed: Typed,
    show: Annotated[Shown, Form()] = Shown.WAITING,
) -> Response:
    """Sign the content that was read, and go on to the next note that waits for a signature.

    What was read is named by its hash: where the note says something else by now, nothing is
    signed, and the page shows what has changed.
    """
    desk = own_note(visit, site, study, show)
    note, person = desk.page.note, visit.person.account.person
    if desk.signature_coming:  # the same form once more, or a second one before the result
        return _go_on(visit, site, desk, show)
    _check(desk, may=desk.allowed.signs)
    if seen != note.content_sha256:
        return _changed(visit, site, desk, seen, show)
    if desk.changes_coming:
        raise Trouble(
            409,
            "Nothing was signed: a change of this note is still on its way into it.",
            "Go back, wait until the note shows it, read it, then sign.",
        )
    fact = NoteSigned(study_instance_uid=study, note_sha256=seen, signer=person.name)
    refused = _tell_signed(visit, site, desk, fact, tap, typed, show)
    return refused or _go_on(visit, site, desk, show)


def addend(
    visit: Visiting,
    site: str,
    study: str,
    tap: Tap,
    text: Annotated[str, Form(min_length=1, max_length=10_000)],
    typed: Typed,
    show: Annotated[Shown, Form()] = Shown.WAITING,
) -> Response:
    """Write and sign an addendum; the signed text stays as it was."""
    desk = own_note(visit, site, study, show)
    _check(desk, may=desk.allowed.adds)
    text = _lines(text).strip()
    if not text:
        raise Trouble(422, "Nothing was done: the addendum is empty.")
    name = visit.person.account.person.name
    fact = NoteAddended(study_instance_uid=study, text=text, signer=name)
    refused = _tell_signed(visit, site, desk, fact, tap, typed, show)
    return refused or visit.go_to(_address(site, study, show))


def release(
    visit: Visiting,
    site: str,
    study: str,
    tap: Tap,
    show: Annotated[Shown, Form()] = Shown.WAITING,
) -> Response:
    """Let a note that the record refused go out again."""
    desk = own_note(visit, site, study, show)
    _check(desk, may=desk.allowed.releases)
    _tell(visit, site, desk, NoteReleased(study_instance_uid=study), tap)
    return visit.go_to(_address(site, study, show))


def _check(desk: OnDesk, *, may: bool) -> None:
    if may:
        return
    signer = desk.page.note.signer
    why = desk.allowed.why_not or (
        f"{signer} has signed this note." if signer is not None else "It is not yours to do."
    )
    raise Trouble(403, f"Nothing was done. {why}", "Go back to the note and look at it.")


def _tell(
    visit: Visit, site: str, desk: OnDesk, fact: NoteFact, tap: str, typed: str | None = None
) -> None:
    """Tell a fact and keep that it was sent; its outcome is followed on the pages."""
    account, now = visit.person.account, datetime.now(UTC)
    told = visit.console.door.tell(account, site, fact, tap, typed=typed)
    with visit.console.store.begin() as connection:
        expected = refusal_of(connection, told.natural_key) if told.known else None
        if expected is not None and isinstance(fact, NoteSigned):
            raise Trouble(
                422,
                "This very signature was given before and was refused, since the note had changed "
                f"then. Expected was: {expected}.",
                "Keep a change in the note, so that it says something new, and sign that; or ask "
                "who looks after the triage to replay the signature.",
            )
        study, revision = fact.study_instance_uid, desk.page.note.revision
        keep_sent(connection, Sent(site, told.natural_key, study, account.key, now, revision, fact))
        visit.console.changes.tell(connection, [f"notes:{site}"])
    visit.console.changes.wake()


def _tell_signed(
    visit: Visit,
    site: str,
    desk: OnDesk,
    fact: NoteSigned | NoteAddended,
    tap: str,
    typed: str,
    show: Shown,
) -> Response | None:
    """Tell what is signed; where what was typed is wrong, give the note to try it again."""
    try:
        _tell(visit, site, desk, fact, tap, typed)
    except Trouble as trouble:
        if trouble.status not in _WRONG_PROOF:
            raise
        study = fact.study_instance_uid
        return note_page(visit, site, study, show, trouble=trouble.words, status=trouble.status)
    return None


def _go_on(visit: Visit, site: str, desk: OnDesk, show: Shown) -> Response:
    """Go to the next note that this person may sign, or back to the list."""
    kinds = {"signature", "cosignature"} if desk.allowed.signs_alone else {"signature"}
    study = desk.page.note.study_instance_uid
    with visit.console.store.read() as connection:
        coming = on_their_way(own_deeds(connection, site, visit.person.account.key, desk.now))
        found = next_to_sign(connection, site, study, desk.page.line.since, kinds, coming)
    if found is None:
        return visit.go_to(f"/sites/{site}/notes?show={show.value}")
    return visit.go_to(_address(site, found, show))


def _changed(visit: Visit, site: str, desk: OnDesk, seen: str, show: Shown) -> Response:
    """Refuse to sign what the note no longer says, and show what is different."""
    note = desk.page.note
    with visit.console.store.read() as connection:
        read = revision_that_said(connection, site, note.study_instance_uid, seen)
    changes = changes_between(read.sections, note.sections) if read is not None else None
    return visit.page(
        "note_changed.html", 409, d=desk, note=note, read=read, changes=changes, show=show
    )


def _lines(text: str) -> str:
    """Give a form's text with plain ends of lines, as it was typed (HTML, 4.10.21.4: CR LF)."""
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _address(site: str, study: str, show: Shown) -> str:
    return f"/sites/{site}/notes/{study}?show={show.value}"


ROUTES: Final = (
    ("POST", "/sites/{site}/notes/{study}/amend", amend),
    ("POST", "/sites/{site}/notes/{study}/sign", sign),
    ("POST", "/sites/{site}/notes/{study}/addend", addend),
    ("POST", "/sites/{site}/notes/{study}/release", release),
)
