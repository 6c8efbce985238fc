"""The morning at the other two hospitals: a wrong clock, an early end, late tellings, a garble."""

from demo.evening.camera import Camera
from demo.evening.chapter import Chapter
from demo.evening.drawings import clock_drawing
from demo.evening.hospitals import GENERATOR_AHEAD_S
from demo.evening.stage import Stage
from demo.evening.visiting import begin, check_held, close, take, wait_assessed, wait_held
from schemas.conclusions import ExposureUse, RepeatKind, StudyState
from services.runtime.triage import TriageState


def wrong_clock(stage: Stage, camera: Camera) -> Chapter:
    """The generator's clock at Sedgewater is seven minutes ahead."""
    guest = stage.guest("Miso")
    shots = stage.evening.shots(guest)
    chapter = Chapter(
        3, shots[0].true_time, "Sedgewater, dental-1", guest.name, "A clock seven minutes off"
    )
    visited = begin(stage, guest)
    take(stage, visited, shots)
    study = wait_assessed(stage, visited)
    truth = [visited.images[shot.view] for shot in shots]
    found = [
        one.sop_instance_uid for one in sorted(study.exposures, key=lambda one: one.occurred_at)
    ]
    chapter.check(
        "each of the eight exposures found the very image that it had made", found == truth
    )
    chapter.check(
        "every link was certain enough to stand without a person",
        all(one.use is ExposureUse.IMAGE for one in study.exposures) and not study.questions,
    )
    room = stage.wait_for(
        "how the clocks stand",
        lambda: known if (known := stage.room_day(guest)) and known.clocks else None,
    )
    ahead_s = -room.clocks[0].ahead_s
    chapter.check(
        "the clocks were told to stand seven minutes apart, within ten seconds",
        abs(ahead_s - GENERATOR_AHEAD_S) < 10.0,
    )
    close(stage, visited)
    wait_held(stage, guest, charges=9)
    check_held(stage, guest, chapter)
    chapter.show(clock_drawing(study))
    chapter.show(
        camera.page(
            stage.desk("admin-1"),
            f"/operations?at={guest.site}",
            to="#devices-title",
            caption="Operations tells how far the devices' clocks stand apart",
        )
    )
    chapter.happened = (
        "Since its battery was changed, the generator's clock ran seven minutes ahead. By its "
        "times, Miso's eight exposures were made long after the images that they had made."
    )
    chapter.system = (
        f"It never took the two clocks for one. It found the shift from the pattern of the "
        f"exposures themselves ({ahead_s:.0f} s) and linked all eight, and told operations how "
        "the clocks stand."
    )
    chapter.person = (
        "Nobody had to do anything for Miso. The administrator read it at operations and had the "
        "clock set."
    )
    chapter.record = "Eight views are charged, and the note's dose rests on the right exposures."
    return chapter


def early_end(stage: Stage, camera: Camera) -> Chapter:
    """An exposure at Tarnbeck is released too soon, and retaken."""
    guest = stage.guest("Boulder")
    shots = stage.evening.shots(guest)
    (early,) = (shot for shot in shots if not shot.makes_image)
    chapter = Chapter(
        4, early.true_time, "Tarnbeck, dental-1", guest.name, "An exposure that ended early"
    )
    visited = begin(stage, guest)
    take(stage, visited, shots)
    study = wait_assessed(stage, visited)
    uses = [one.use for one in study.exposures]
    chapter.check(
        "five exposures made four images, and one had ended early",
        uses.count(ExposureUse.IMAGE) == 4 and uses.count(ExposureUse.ENDED_EARLY) == 1,
    )
    chapter.check(
        "the dose counts the early one by the time it was delivered for",
        study.dose.ended_early == 1
        and study.dose.exposures == 5
        and study.dose.kerma_ended_early_mgy > 0,
    )
    chapter.check(
        "the retake is marked as a repeat after an early end",
        [one.kind for one in study.repeats] == [RepeatKind.AFTER_EARLY_END],
    )
    close(stage, visited)
    wait_held(stage, guest, charges=5)
    address = f"/sites/{guest.site}/charges/studies/{guest.study}"
    desk = stage.desk("billing-1")
    stage.wait_for("the bill at the charge desk", lambda: "Posted" in desk.page(address))
    chapter.check(
        "the charge desk lists the early end among what is not charged",
        "exposure ended early" in desk.page(address).partition("Not charged, and why")[2],
    )
    check_held(stage, guest, chapter)
    chapter.show(
        camera.page(
            desk,
            address,
            "Boulder's charges: what it costs, and why, and the postings",
            to="main",
            words="Posted",
        )
    )
    chapter.happened = (
        "The technician let go of the switch too soon. The exposure stopped after a third of its "
        "time and left no image worth keeping; the view was retaken a minute later."
    )
    chapter.system = (
        "It took the short exposure for what it was, left it without an image, and counted its "
        "part of the dose. The retake is marked as a repeat after an early end."
    )
    chapter.person = "Nobody had to do anything."
    chapter.record = "Four views are charged. The early end is listed as not charged, with why."
    return chapter


def twice_and_late(stage: Stage, camera: Camera) -> Chapter:
    """The generator's bridge at Tarnbeck lost its network: it tells late, and all of it twice."""
    del camera
    guest = stage.guest("Quill")
    shots = stage.evening.shots(guest)
    chapter = Chapter(
        5, shots[-1].true_time, "Tarnbeck, dental-1", guest.name, "Told late, and told twice"
    )
    visited = begin(stage, guest)
    take(stage, visited, shots, kept_back=True)
    early = wait_assessed(stage, visited, exposures=0)
    chapter.check(
        "without her exposures the study's images stood there, with no dose",
        len(early.images) == len(shots) and early.dose.exposures == 0 and not early.dose.kerma_mgy,
    )
    close(stage, visited)
    wait_held(stage, guest, charges=4)
    before, draft = stage.held(guest), stage.note(guest)
    outcomes = stage.generator(guest).ask(do="tell_kept_back", times=2)["outcomes"]
    chapter.check(
        "the second telling of each exposure was known already",
        outcomes == ["accepted", "already_known"] * 3,
    )
    study = wait_assessed(stage, visited)
    chapter.check(
        "the late exposures were linked to their images, three and no more",
        [one.use for one in study.exposures] == [ExposureUse.IMAGE] * 3,
    )
    note = stage.wait_note(
        guest, "a note with the dose", lambda one: one.assessment_revision == study.revision
    )
    chapter.check(
        "the dose is that of three exposures, and the draft note was written anew with it",
        study.dose.exposures == len(shots) and study.dose.kerma_mgy > 0 and draft != note,
    )
    chapter.check(
        "no charge was added, taken back or doubled by it",
        stage.held(guest)["charges"] == before["charges"],
    )
    check_held(stage, guest, chapter)
    chapter.happened = (
        "The bridge beside the generator had lost its network. Quill's images were stored, her "
        "study was closed and charged, and only then came her three exposures. As the bridge had "
        "missed the answers, it told each of them again."
    )
    chapter.system = (
        "It worked with what it had, and reckoned everything anew when more came: the links, the "
        "dose, the draft of the note. A fact that it knows already changes nothing."
    )
    chapter.person = "Nobody had to do anything."
    chapter.record = "The same three views as before, each once; the draft note now tells the dose."
    return chapter


def poison(stage: Stage, camera: Camera) -> Chapter:
    """One exposure at Sedgewater is told with its voltage as text."""
    guest = stage.guest("Rook")
    shots = stage.evening.shots(guest)
    chapter = Chapter(
        7, shots[0].true_time, "Sedgewater, dental-1", guest.name, "A message that cannot be used"
    )
    visited = begin(stage, guest)
    take(stage, visited, shots[:1], garbled=True)
    take(stage, visited, shots[1:])
    wait_assessed(stage, visited, exposures=1)
    (refused,) = visited.refused
    chapter.check(
        "the bridge was told at once that it was refused, and the field that was wrong",
        "tube_kv" in refused,
    )
    (entry,) = stage.triage(TriageState.OPEN)
    chapter.check(
        "the message was kept as it came, with the field and what was expected",
        "tube_kv" in entry.field and b"65 kV" in entry.body,
    )
    address = f"/operations/triage/{entry.id}"
    admin = stage.desk("admin-1")
    chapter.show(
        camera.page(admin, address, "The triage: what was wrong, what came, and a copy to correct")
    )
    form = admin.form(address, f"{entry.id}/replay", having="edited copy")
    copy = str(form.fields["body"]).replace('"65 kV"', "65.0")
    admin.send(form.with_fields(body=copy))
    study = wait_assessed(stage, visited)
    chapter.check(
        "after the correction both exposures were linked to their images",
        [one.use for one in study.exposures] == [ExposureUse.IMAGE] * 2
        and study.state is StudyState.COMPLETE,
    )
    (settled,) = stage.triage(TriageState.REPLAYED)
    chapter.check(
        "the triage keeps what came and who corrected it",
        settled.settled_by.endswith("admin-1") and b"65 kV" in settled.body,
    )
    close(stage, visited)
    wait_held(stage, guest, charges=3)
    check_held(stage, guest, chapter)
    chapter.happened = (
        "After an update the generator's bridge told one exposure with its voltage as the words "
        "'65 kV' in place of a number."
    )
    chapter.system = (
        "It refused that one message, naming the field and what it had expected, and kept it "
        "whole. Everything before and after it went on."
    )
    chapter.person = (
        "The administrator opened it in the triage, put the number right in a copy, and sent "
        "that. What came stays as it came."
    )
    chapter.record = "Rook's two views are charged, and his note tells the dose of both exposures."
    return chapter
