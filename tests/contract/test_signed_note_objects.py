"""What is made of a signed note, on a real store: it never changes, whatever comes after."""

import io
from dataclasses import replace
from typing import Any, NamedTuple

import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite
from sqlalchemy import update

from schemas.conclusions import StudyAssessed, ViewStatus
from schemas.envelope import Message, Payload
from schemas.group import Group, Site
from schemas.teeth import Species
from services.notes.kept_note import NoteAtHand, as_it_stands
from services.notes.note_sr import note_sr
from services.notes.pdf import note_pdf
from services.notes.store import REVISION, read_note, write_notes
from services.notes.worker import NotesHandler
from services.runtime.store import Store
from tests.assessed import GROUP, STUDY, image, message, patient
from tests.handled import handle
from tests.note_facts import addendum, amendment, record_answer, signature_under
from tests.noted import SITE, full_mouth

FIRST = full_mouth("dog-full-mouth", Species.DOG, revision=1, closed=True)


class Made(NamedTuple):
    """A note at hand, with the bytes of its PDF and of its structured report."""

    at_hand: NoteAtHand
    pdf: bytes
    report: Dataset
    report_bytes: bytes

    @property
    def uid_of_file(self) -> str:
        return str(dcmread(io.BytesIO(self.report_bytes)).SOPInstanceUID)

    @property
    def uid(self) -> str:
        return str(self.report.SOPInstanceUID)

    @property
    def predecessors(self) -> list[str]:
        return [
            str(reference.ReferencedSOPInstanceUID)
            for study in self.report.get("PredecessorDocumentsSequence", [])
            for series in study.ReferencedSeriesSequence
            for reference in series.ReferencedSOPSequence
        ]


def tell(store: Store, *messages: Message[Payload], group: Group = GROUP) -> None:
    handle(store, NotesHandler(group), "notes", messages)


def sign(store: Store) -> None:
    with store.read() as connection:
        file = read_note(connection, SITE.name, STUDY).file
    tell(store, signature_under(file))


def made(store: Store, site: Site = SITE) -> Made:
    with store.read() as connection:
        at_hand = as_it_stands(read_note(connection, SITE.name, STUDY))
    assert at_hand is not None
    note, shown, version = at_hand
    report, file = note_sr(note, shown, site, version), io.BytesIO()
    dcmwrite(file, report, enforce_file_format=True)
    return Made(at_hand, note_pdf(note, shown, site), report, file.getvalue())


def later_state() -> StudyAssessed:
    """The same study assessed anew: another animal's data, views, images and absent teeth."""
    first, *rest = FIRST.views
    return full_mouth(
        "dog-full-mouth",
        Species.DOG,
        revision=2,
        closed=True,
        patient=patient(species=Species.DOG).model_copy(update={"name": "Invented Renamed"}),
        views=(first.model_copy(update={"status": ViewStatus.EXCUSED}), *rest),
        images=[image(77, view=first.view, teeth=first.teeth)],
        absent_teeth=(105,),
    )


def test_a_signed_note_is_drawn_and_written_as_signed_though_its_study_is_assessed_anew(
    store: Store,
) -> None:
    # given
    tell(store, message(FIRST))
    sign(store)
    signed = made(store)

    # when
    tell(store, message(later_state()))

    # then: the same bytes, and the later state is an addendum proposed
    after = made(store)
    assert after.at_hand.note.revision > signed.at_hand.note.revision
    assert after.at_hand.note.addendum_proposal is not None
    assert after.pdf == signed.pdf
    assert after.report_bytes == signed.report_bytes


def test_what_a_note_shows_is_told_with_it_and_stays_as_signed(store: Store) -> None:
    tell(store, message(FIRST))
    draft = made(store).at_hand.note.shows
    sign(store)

    tell(store, message(later_state()))
    tell(store, addendum())

    note = made(store).at_hand.note
    assert note.addenda
    assert draft is not None
    assert note.shows == draft
    assert (draft.species, draft.plan) == (Species.DOG, "dog-full-mouth")
    obtained = [one for one in FIRST.views if one.status is ViewStatus.DONE]
    assert draft.views == tuple(one.view for one in obtained)
    assert set(draft.teeth) == {tooth for one in obtained for tooth in one.teeth}
    assert len(draft.images) == len(FIRST.images)
    assert {one.title for one in draft.images} == {one.title for one in obtained}


def test_a_draft_is_drawn_and_written_anew_with_its_study(store: Store) -> None:
    tell(store, message(FIRST))
    first = made(store)

    tell(store, message(later_state()))

    after = made(store)
    assert after.pdf != first.pdf
    assert after.uid != first.uid
    assert after.report.PatientName == "Invented Renamed"


def test_each_version_points_to_the_one_before_it_and_the_record_s_answer_makes_none(
    store: Store,
) -> None:
    # given
    tell(store, message(FIRST))
    versions = [made(store)]

    # when: amended, signed, taken by the record, addended
    tell(store, amendment("Invented finding."))
    versions.append(made(store))
    sign(store)
    versions.append(made(store))
    tell(store, record_answer(f"note:{STUDY}:3", minute=31))
    taken = made(store)
    tell(store, message(later_state()))
    tell(store, addendum())
    versions.append(made(store))

    # then
    assert taken.report_bytes == versions[2].report_bytes
    uids = [one.uid for one in versions]
    assert len(set(uids)) == len(uids)
    assert [one.predecessors for one in versions] == [[], *([uid] for uid in uids[:-1])]
    flags = [(one.report.CompletionFlag, one.report.VerificationFlag) for one in versions]
    assert flags == [("PARTIAL", "UNVERIFIED")] * 2 + [("COMPLETE", "VERIFIED")] * 2
    verified = [len(one.report.get("VerifyingObserverSequence", [])) for one in versions]
    assert verified == [0, 0, 1, 2]
    assert len({one.report.SeriesInstanceUID for one in versions}) == 1


def renamed(site: Site, **changes: Any) -> Site:
    people = [one.model_copy(update={"title": f"{one.title}, renamed"}) for one in site.people]
    return site.model_copy(update=changes or {"title": "Renamed (invented)", "people": people})


CHANGES: dict[str, dict[str, Any]] = {
    "people and title": {},
    "title": {"title": "Renamed (invented)"},
    "zone": {"time_zone": "America/New_York"},
    "locale": {"locale": "de_DE"},
    "rooms": {"rooms": (*SITE.rooms, "room-9")},
    "nothing": {"title": SITE.title},
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_report_has_another_uid_exactly_where_the_group_file_makes_other_content(
    store: Store, change: str
) -> None:
    tell(store, message(FIRST))
    sign(store)

    before, after = made(store), made(store, renamed(SITE, **CHANGES[change]))

    for one in (before.report, after.report):
        del one.SOPInstanceUID
    assert (before.report == after.report) == (change in {"rooms", "nothing"})
    assert (before.uid_of_file == after.uid_of_file) == (before.report == after.report)


def test_the_predecessor_is_the_report_as_the_group_named_people_then(store: Store) -> None:
    # given: a signed note; then site and people are renamed in the group's file
    tell(store, message(FIRST))
    sign(store)
    then = made(store)
    site = renamed(SITE)
    others = tuple(one for one in GROUP.sites if one.name != SITE.name)
    group = GROUP.model_copy(update={"sites": (site, *others)})

    # when something is added to it
    tell(store, addendum(), group=group)

    # then
    added = made(store, site)
    assert added.predecessors == [then.uid]
    assert added.report.InstitutionName == "Renamed (invented)"


def test_a_version_told_before_reports_were_kept_is_named_by_none(store: Store) -> None:
    tell(store, message(FIRST))
    with store.begin() as connection:
        connection.execute(update(REVISION).values(report_uid=None))

    tell(store, amendment("Invented finding."))

    assert made(store).predecessors == []


def test_a_note_signed_before_what_it_shows_was_kept_is_still_read_and_says_so(
    store: Store,
) -> None:
    # given: a signed note as it was stored before
    tell(store, message(FIRST))
    sign(store)
    with store.begin() as connection:
        kept = read_note(connection, SITE.name, STUDY)
        assert kept.file.signed is not None
        old = kept.file.signed.model_copy(update={"shown": None})
        before = replace(kept, file=replace(kept.file, signed=old))
        write_notes(connection, {(SITE.name, STUDY): (kept, before)})

    # when
    tell(store, message(later_state()))

    # then
    after = made(store)
    assert not after.at_hand.shown.at_signature
    assert after.at_hand.shown.assessment_revision == 2
    assert after.report.VerificationFlag == "VERIFIED"
