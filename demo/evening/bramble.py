"""The morning at the first hospital: an image of the patient next door, and a forgotten view."""

from datetime import timedelta

from demo.evening.camera import TABLET, Camera
from demo.evening.chapter import Chapter
from demo.evening.drawings import radiographs, tooth_chart
from demo.evening.guests import Guest
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
from demo.story import Shot
from schemas.conclusions import ExposureUse, ImageUse, StudyAssessed, StudyState, ViewStatus

FORGOTTEN = "mand-molars-l"
_WRONGLY = "mand-canine-r"
_NO_QUALITY_REASON = "111220"
"""'Other failure' of DICOM CID 7011: the picture is good, and of somebody else."""


def board_of(guest: Guest) -> str:
    return f"/sites/{guest.site}/rooms/{guest.room}/studies/{guest.study}"


def two_rooms(stage: Stage, camera: Camera) -> tuple[Chapter, Chapter]:
    """Pepper lies in one room and Clover next door, in the same minutes."""
    pepper, clover = stage.guest("Pepper"), stage.guest("Clover")
    shots = stage.evening.shots(pepper)
    visited = begin(stage, pepper)
    take(stage, visited, [shot for shot in shots if shot.view != FORGOTTEN])
    wait_assessed(stage, visited)
    next_door = _wrong_patient(stage, camera, visited, begin(stage, clover))
    (kept,) = (shot for shot in shots if shot.view == FORGOTTEN)
    forgotten = _forgotten_view(stage, camera, visited, kept)
    return next_door, forgotten


def _wrong_patient(stage: Stage, camera: Camera, pepper: Visited, clover: Visited) -> Chapter:
    shots = stage.evening.shots(clover.guest)
    (wrong,) = (shot for shot in shots if shot.view == _WRONGLY)
    chapter = Chapter(
        1,
        wrong.true_time,
        "Bramble Lane, rooms dental-1 and dental-2",
        "Pepper and Clover",
        "An image of the patient next door",
    )
    before = stage.wait_study(pepper.guest, "known", lambda study: bool(study.images))

    # For one image the technician next door has Pepper open in place of Clover.
    station = stage.station(clover.guest)
    station.ask(
        do="worklist", accession_number=pepper.guest.visit.accession_number, of_the_house=True
    )
    for shot in shots:
        if shot is wrong:
            stage.expose(clover.guest, shot)
            stage.generator(clover.guest).answer()
            clover.exposures += 1
            stage.station(clover.guest).tell(
                do="image",
                shot=shot.model_dump_json(),
                accession_number=pepper.guest.visit.accession_number,
                plan=pepper.guest.visit.plan,
            )
            stray = str(station.answer()["stored"])
        else:
            take(stage, clover, [shot])

    study = _asked(stage, pepper.guest, "image-from-elsewhere")
    _asked(stage, clover.guest, "patients-interleaved")
    image = next(one for one in study.images if one.sop_instance_uid == stray)
    own = {one.exposure_key: one.sop_instance_uid for one in before.exposures}
    chapter.check(
        "every exposure in Pepper's room kept the image that it had before the stray one came",
        all(
            one.sop_instance_uid == own[one.exposure_key]
            for one in study.exposures
            if one.exposure_key in own
        )
        and own.keys() <= {one.exposure_key for one in study.exposures},
    )
    chapter.check(
        "no exposure of Pepper's own generator was linked to the stray image",
        image.exposure_key is None or image.exposure_key not in own,
    )
    chapter.show(
        camera.page(
            stage.desk("tech-1"),
            board_of(pepper.guest),
            size=TABLET,
            to=".questions",
            caption="Pepper's board asks about an image that was made next door",
        )
    )

    _put_right(stage, pepper, clover, stray, wrong)
    after = stage.wait_study(pepper.guest, "the question answered", lambda one: not one.questions)
    stage.wait_study(
        clover.guest,
        "all of her views done and no question left",
        lambda one: one.state is StudyState.COMPLETE and not one.questions,
    )
    theirs = wait_assessed(stage, clover)
    _check_put_right(chapter, after, theirs, stray, own.keys())
    close(stage, clover)
    wait_held(stage, clover.guest, charges=5)
    charged = {image for entry in stage.held(clover.guest)["charges"] for image in entry["images"]}
    chapter.check("the stray image is charged to nobody", stray not in charged)
    chapter.check(
        "Clover pays for her four views, the one sent anew among them",
        set(clover.images.values()) <= charged,
    )
    check_held(stage, clover.guest, chapter)
    files = stage.image_files(list(clover.images.values()))
    words = "Four invented X-ray pictures of a dog's right lower jaw, drawn by a program"
    chapter.show(radiographs(files, words, "Clover's four views, under her own name"))
    chapter.happened = (
        "For one picture the technician in dental-2 had Pepper open at the station, while it was "
        "Clover who lay on the table. The image came under Pepper's name, in the very minutes in "
        "which Pepper was being imaged in dental-1."
    )
    chapter.system = (
        "It aligned each room by itself, so none of Pepper's exposures took the stray image, "
        "though its view and its time would have suited her. On Pepper's board it asked about "
        "an image that was made in another room, on Clover's whether the right patient had been "
        "open at the station, as two patients alternated there. It did not guess."
    )
    chapter.person = (
        "The technician rejected the image at Pepper's board and said that no exposure of hers "
        "had made it, sent it anew from the station under Clover's name, and confirmed Clover's "
        "views."
    )
    chapter.record = (
        "Nothing of it stands in Pepper's charges. Clover's exposure, its dose and its image are "
        "in Clover's study, and her views are charged once each."
    )
    return chapter


def _asked(stage: Stage, guest: Guest, code: str) -> StudyAssessed:
    """Wait until a person is asked this of a study."""
    return stage.wait_study(
        guest, f"the question {code}", lambda one: code in {each.code for each in one.questions}
    )


def _put_right(stage: Stage, pepper: Visited, clover: Visited, stray: str, wrong: Shot) -> None:
    technician = stage.desk("tech-1")
    board = board_of(pepper.guest)
    technician.tap(board, "reject", image=stray, reason=_NO_QUALITY_REASON)
    technician.tap(board, "link", image=stray, exposure="")
    stage.image(clover.guest, wrong)
    clover.images[wrong.view] = stage.station(clover.guest).answer()["stored"]
    wait_assessed(stage, clover)
    for view, image in clover.images.items():
        technician.tap(board_of(clover.guest), "assign", image=image, view=view)


def _check_put_right(
    chapter: Chapter, pepper: StudyAssessed, clover: StudyAssessed, stray: str, own: object
) -> None:
    image = next(one for one in pepper.images if one.sop_instance_uid == stray)
    chapter.check(
        "the stray image is rejected, with no exposure and no view of Pepper's",
        image.use is ImageUse.REJECTED and image.exposure_key is None,
    )
    chapter.check(
        "Pepper's study holds the exposures of her own room and no other",
        {one.exposure_key for one in pepper.exposures} == own,
    )
    chapter.check(
        "each of Clover's four exposures is linked to her own image",
        [one.use for one in clover.exposures] == [ExposureUse.IMAGE] * 4,
    )


def _forgotten_view(stage: Stage, camera: Camera, pepper: Visited, kept: Shot) -> Chapter:
    at = pepper.ended_at + timedelta(minutes=2)
    chapter = Chapter(2, at, "Bramble Lane, dental-1", "Pepper", "A forgotten view")
    study = stage.wait_study(pepper.guest, "one view open", lambda one: not one.questions)
    missing = [view.view for view in study.views if view.status is ViewStatus.MISSING]
    chapter.check(
        "the board named the one view of fourteen that was missing", missing == [FORGOTTEN]
    )
    page = stage.desk("tech-1").page(board_of(pepper.guest))
    chapter.check("the board said so in words", "1 of 14 views open" in page)
    caption = "Pepper's board while she sleeps: one of fourteen views is open, and which it is"
    chapter.show(camera.page(stage.desk("tech-1"), board_of(pepper.guest), caption, size=TABLET))
    chapter.show(tooth_chart(study, "Before: the teeth that no image shows yet are dashed"))

    take(stage, pepper, [kept.model_copy(update={"true_time": at + timedelta(minutes=1)})])
    done = stage.wait_study(
        pepper.guest, "the last view done", lambda one: one.state is StudyState.COMPLETE
    )
    chapter.check(
        "all fourteen views were done before the study was closed",
        not done.closed and all(view.status is ViewStatus.DONE for view in done.views),
    )
    chapter.show(tooth_chart(done, "After: every tooth of the plan is shown"))
    close(stage, pepper)
    wait_held(stage, pepper.guest, charges=15)
    check_held(stage, pepper.guest, chapter)
    chapter.happened = (
        "Thirteen of Pepper's fourteen planned views were made, and the instruments were being "
        "put away. The left lower molars had been forgotten."
    )
    chapter.system = (
        "The board had counted along: it said that one view of fourteen was open, named it, drew "
        "its teeth, and showed the next setting. It does not say that a patient may be woken: "
        "that is for the vet and the anaesthetist."
    )
    chapter.person = (
        "The technician saw it while Pepper still slept, and with the anaesthetist's word made "
        "the view. No second anaesthesia was needed for it."
    )
    chapter.record = "All fourteen views are charged, once each, and the study closed complete."
    return chapter
