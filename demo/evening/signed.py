"""A note that was signed, and an image of its study that comes afterwards."""

from typing import Any

from demo.evening.camera import Camera
from demo.evening.chapter import Chapter
from demo.evening.drawings import radiographs
from demo.evening.guests import late_views
from demo.evening.hospitals import invented_password
from demo.evening.stage import Stage
from demo.evening.visiting import (
    Visited,
    begin,
    check_held,
    close,
    take,
    wait_assessed,
    wait_held,
)
from schemas.conclusions import NoteState


def signed_note(stage: Stage, camera: Camera) -> Chapter:
    """An image of Sorrel comes after the vet has signed her note."""
    guest = stage.guest("Sorrel")
    shots = stage.evening.shots(guest)
    chapter = Chapter(
        8,
        shots[-1].true_time,
        "Bramble Lane, dental-2",
        guest.name,
        "A late image, and a note that was signed",
    )
    visited = begin(stage, guest)
    take(stage, visited, shots)
    wait_assessed(stage, visited)
    closed = close(stage, visited)
    wait_held(stage, guest, charges=2)
    vet, address = stage.desk("vet-1"), f"/sites/{guest.site}/notes/{guest.study}"
    stage.wait_note(guest, "its draft", lambda one: one.assessment_revision == closed.revision)
    form = vet.form(address, f"{guest.study}/sign")
    vet.send(form.with_fields(typed=invented_password("vet-1")))
    signed = stage.wait_note(guest, "the note signed", lambda one: one.signer == "vet-1")
    stage.wait_for("the signed note in the record", lambda: _newest(stage, guest.name)["signer"])
    _late_image(stage, visited)
    proposed = stage.wait_note(
        guest, "an addendum proposed", lambda one: bool(one.addendum_proposal)
    )
    chapter.check(
        "the content that was signed is the same to the letter",
        proposed.content_sha256 == signed.content_sha256 and proposed.sections == signed.sections,
    )
    chapter.check("the addendum was proposed, and not written into the note", not proposed.addenda)
    chapter.show(
        camera.page(
            vet,
            address,
            to="#sign",
            words="An addendum is proposed",
            caption="Sorrel's signed note, with the proposed addendum below",
        )
    )
    vet.send(
        vet.form(address, f"{guest.study}/addend").with_fields(typed=invented_password("vet-1"))
    )
    added = stage.wait_note(guest, "the addendum", lambda one: one.state is NoteState.ADDENDED)
    chapter.check(
        "the vet's addendum stands beside the signed text, with name and time",
        [one.signer for one in added.addenda] == ["vet-1"]
        and added.content_sha256 == signed.content_sha256,
    )
    wait_held(stage, guest, charges=3)
    stage.wait_for("the addendum in the record", lambda: _newest(stage, guest.name)["addenda"])
    contents = {one["content_sha256"] for one in stage.held(guest)["notes"] if one["signer"]}
    chapter.check(
        "every signed revision in the record says what was signed",
        contents == {signed.content_sha256},
    )
    check_held(stage, guest, chapter)
    files = stage.image_files(list(visited.images.values()))
    chapter.show(
        radiographs(
            files,
            "Two invented X-ray pictures of tooth 208, drawn by a program",
            "The image in time, and the one that came after the signature",
        )
    )
    chapter.happened = (
        "One of Sorrel's two images stayed behind at the station, unseen. The vet signed the note, "
        "which told of one view and of an exposure without an image. In the evening the station "
        "sent the other."
    )
    chapter.system = (
        "It linked the late image and left the signed note as it was. What the study says "
        "otherwise now it put into words as a proposed addendum."
    )
    chapter.person = "The vet read the proposal at the notes desk and signed it as an addendum."
    chapter.record = (
        "The note as it was signed, and the addendum with the vet's name; the second view charged "
        "once its image was there."
    )
    return chapter


def _newest(stage: Stage, name: str) -> dict[str, Any]:
    notes: list[dict[str, Any]] = stage.held(stage.guest(name))["notes"]
    return notes[-1]


def _late_image(stage: Stage, visited: Visited) -> None:
    stored = stage.station(visited.guest).ask(do="send_late")["stored"]
    visited.images |= dict(zip(late_views(visited.guest), stored, strict=True))
    wait_assessed(stage, visited)
