"""The notes desk: which notes wait, one note, its revisions beside each other, and on paper."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final

from fastapi import Query
from fastapi.responses import Response

from schemas.errors import InvalidInput
from services.console.chairside.dose import CAUTION as DOSE_CAUTION
from services.console.chairside.dose import dose_card
from services.console.changes import topic
from services.console.console import NavEntry
from services.console.notes import lists, words
from services.console.notes.comparing import changes_between
from services.console.notes.desk import OnDesk, drawn, on_desk
from services.console.notes.following import own_deeds
from services.console.notes.lists import FILTER_WORDS, Shown
from services.console.notes.revisions import Revision, revisions_of
from services.console.troubles import Trouble, Words
from services.console.visit import Visit, Visiting, study_uid

Place = Annotated[str | None, Query(max_length=400)]
Number = Annotated[int | None, Query(ge=1)]


def show_list(
    visit: Visiting, site: str, show: Shown = Shown.WAITING, after: Place = None
) -> Response:
    """List notes, the oldest first."""
    live = visit.live(topic("notes", site))
    return visit.page(
        "notes.html", **_list(visit, site, show, after), **_strip(visit, site), live=live
    )


def show_list_now(
    visit: Visiting, site: str, show: Shown = Shown.WAITING, after: Place = None
) -> Response:
    """List them again, as the part of the page that changes."""
    return visit.page("notes_now.html", **_list(visit, site, show, after))


def show_sent(visit: Visiting, site: str) -> Response:
    """Tell what became of what this person sent of late."""
    return visit.page("notes_sent.html", **_strip(visit, site))


def show_note(visit: Visiting, site: str, study: str, show: Shown = Shown.WAITING) -> Response:
    """Show one note."""
    return note_page(visit, site, study, show)


def note_page(
    visit: Visit,
    site: str,
    study: str,
    show: Shown,
    *,
    trouble: Words | None = None,
    status: int = 200,
) -> Response:
    """Show one note, with what went wrong at its signature where something did."""
    live = visit.live(topic("study", site, study_uid(study)), topic("notes", site))
    shown = _note(own_note(visit, site, study, show), show)
    shown |= {"trouble": trouble}
    return visit.page("note.html", status, **shown, **_strip(visit, site), live=live)


def show_note_now(visit: Visiting, site: str, study: str, show: Shown = Shown.WAITING) -> Response:
    """Show the same, as the part of the page that changes."""
    shown = _note(own_note(visit, site, study, show), show)
    return visit.page("note_now.html", **shown, trouble=None)


def show_standing(visit: Visiting, site: str, study: str, show: Shown = Shown.WAITING) -> Response:
    """Tell whether the note is still what the page shows, and what is on its way to it."""
    return visit.page("note_standing.html", d=own_note(visit, site, study, show), show=show)


def show_print(visit: Visiting, site: str, study: str) -> Response:
    """Show a note as it goes on paper."""
    shown = _note(own_note(visit, site, study, Shown.ALL), Shown.ALL)
    return visit.page("note_print.html", **shown)


def compare(
    visit: Visiting, site: str, study: str, before: Number = None, after: Number = None
) -> Response:
    """Show two revisions of a note beside each other: what went and what came."""
    desk = own_note(visit, site, study, Shown.ALL)
    with visit.console.store.read() as connection:
        kept = revisions_of(connection, site, study)
    new = _chosen(kept, after, kept[0] if kept else None)
    older = [one for one in kept if new is not None and one.revision < new.revision]
    old = _chosen(kept, before, older[0] if older else None)
    changes = changes_between(old.sections, new.sections) if old and new else ()
    return visit.page(
        "note_compare.html", d=desk, kept=kept, old=old, new=new, changes=changes, w=words
    )


def _chosen(kept: list[Revision], told: int | None, otherwise: Revision | None) -> Revision | None:
    if told is None:
        return otherwise
    found = next((one for one in kept if one.revision == told), None)
    if found is None:
        raise Trouble(
            404,
            f"Revision {told} of this note is not kept here, or says the same as one before it.",
            "Choose one of the revisions that the page offers.",
        )
    return found


def own_note(visit: Visit, site: str, study: str, show: Shown) -> OnDesk:
    """Read one note of this site (Trouble 404)."""
    account, now = visit.person.account, datetime.now(UTC)
    with visit.console.store.read() as connection:
        found = on_desk(connection, visit.own_site(site), study_uid(study), account, show, now)
    if found is None:
        raise Trouble(
            404,
            "No note of this study is known here.",
            "Go back to the list. A new note may take a moment to come.",
        )
    return found


def _list(visit: Visit, site: str, show: Shown, after: str | None) -> dict[str, Any]:
    try:
        with visit.console.store.read() as connection:
            page = lists.listed(connection, site, show, after)
            counts = lists.counts(connection, site)
    except InvalidInput as error:
        raise Trouble(404, "This place in the list is not there.") from error
    return {
        "page": page,
        "counts": counts,
        "show": show,
        "after": after,
        "filters": FILTER_WORDS,
        "now": datetime.now(UTC),
        "w": words,
    }


def _strip(visit: Visit, site: str) -> dict[str, Any]:
    with visit.console.store.read() as connection:
        deeds = own_deeds(connection, site, visit.person.account.key, datetime.now(UTC))
    return {"own_deeds": deeds}


def _note(desk: OnDesk, show: Shown) -> dict[str, Any]:
    study = desk.page.study
    of_views, others = words.images_of(study) if study is not None else ((), ())
    return {
        "d": desk,
        "note": desk.page.note,
        "line": desk.page.line,
        "study": study,
        "show": show,
        "of_views": of_views,
        "others": others,
        "drawn": drawn(study),
        "dose": dose_card(study) if study is not None else None,
        "dose_caution": DOSE_CAUTION,
        "filters": FILTER_WORDS,
        "w": words,
    }


ROUTES: Final = (
    ("GET", "/sites/{site}/notes", show_list),
    ("GET", "/sites/{site}/notes/now", show_list_now),
    ("GET", "/sites/{site}/notes/sent", show_sent),
    ("GET", "/sites/{site}/notes/{study}", show_note),
    ("GET", "/sites/{site}/notes/{study}/now", show_note_now),
    ("GET", "/sites/{site}/notes/{study}/standing", show_standing),
    ("GET", "/sites/{site}/notes/{study}/print", show_print),
    ("GET", "/sites/{site}/notes/{study}/compare", compare),
)
NAV: Final = (
    NavEntry(
        "/sites/{site}/notes",
        "Notes desk",
        "Imaging notes by age: read the draft beside its pictures, correct it, sign it, add to it",
    ),
)
