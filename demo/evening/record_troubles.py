"""Trouble with the patient record: a corrected weight, an outage, a charge that is refused."""

import html
import re
from decimal import Decimal
from typing import Final

from demo.evening.camera import Camera
from demo.evening.chapter import Chapter
from demo.evening.desk import Person as Desk
from demo.evening.desk import picks
from demo.evening.stage import Stage
from demo.evening.visiting import (
    begin,
    check_held,
    close,
    take,
    total,
    wait_assessed,
    wait_held,
)
from schemas.facts import PatientDescribed, Weight, WeightUnit

_CORRECTED_KG: Final = 23.4
_SPARED: Final = "open: the record is spared"
_REFUSAL: Final = "Account INVACC2004 is on hold since noon: ask the front desk (invented)"


def wrong_weight(stage: Stage, camera: Camera) -> Chapter:
    """Thistle's weight is put right after his charges were posted."""
    guest = stage.guest("Thistle")
    shots = stage.evening.shots(guest)
    at = stage.evening.day.moment(16, 5)
    chapter = Chapter(
        6,
        shots[0].true_time,
        "Bramble Lane, dental-1",
        guest.name,
        "A weight corrected after the charge",
    )
    visited = begin(stage, guest)
    take(stage, visited, shots)
    wait_assessed(stage, visited)
    close(stage, visited)
    wait_held(stage, guest, charges=5)
    before = stage.held(guest)["charges"]
    chapter.check(
        "at 28.6 kg the record held 96.20 EUR, by the price of the larger dog",
        total(before) == Decimal("96.20"),
    )
    patient = guest.visit.patient.model_copy(
        update={"weight": Weight(value=_CORRECTED_KG, unit=WeightUnit.KG)}
    )
    stage.record_tells(guest.site, PatientDescribed(patient=patient), at)
    stage.wait_for(
        "the price by the corrected weight in the record",
        lambda: total(stage.held(guest)["charges"]) == guest.held_eur,
    )
    after = stage.held(guest)["charges"]
    chapter.check("what was posted first stands there unchanged", after[: len(before)] == before)
    taken_off = [entry for entry in after if entry["type"] == "credit"]
    chapter.check(
        "each of the four views' charges was taken off by a credit that names it, and posted anew",
        sorted(entry["reverses"] for entry in taken_off)
        == sorted(entry["posting_key"] for entry in before if entry["code"] != "INV-COVER")
        and len(after) == len(before) + 8,
    )
    chapter.check("together that is 82.70 EUR, as at 23.4 kg", total(after) == Decimal("82.70"))
    address = f"/sites/{guest.site}/charges/studies/{guest.study}"
    chapter.show(
        camera.page(
            stage.desk("billing-1"),
            address,
            to="main",
            caption="Thistle's charges: what it costs now, and every posting",
        )
    )
    chapter.happened = (
        "Thistle's weight was typed from an old visit as 28.6 kg, and his views were charged by "
        "the tariff for dogs of 25 kg and more. In the afternoon the scale said 23.4 kg."
    )
    chapter.system = (
        "It priced the study anew by the corrected weight. It edited nothing: each charge that no "
        "longer holds was taken off by a credit, and the right one posted."
    )
    chapter.person = "The front desk put the weight right in the patient record; no more than that."
    chapter.record = "96.20 EUR charged, 95.00 credited, 81.50 charged: 82.70 EUR in all."
    return chapter


def record_away(stage: Stage, camera: Camera) -> Chapter:
    """The patient record cannot be reached while two studies are closed."""
    guests = [stage.guest("Juniper"), stage.guest("Tansy")]
    at = stage.evening.day.moment(14, 5)
    chapter = Chapter(
        9, at, "Tarnbeck and Sedgewater", "Juniper and Tansy", "The patient record is away"
    )
    stage.record.ask(do="go_away")
    for guest in guests:
        visited = begin(stage, guest)
        take(stage, visited, stage.evening.shots(guest))
        wait_assessed(stage, visited)
        close(stage, visited)
    admin = stage.desk("admin-1")
    told = stage.wait_for(
        "operations to see that the record is spared",
        lambda: _page_with(admin, "/operations", _SPARED),
    )
    waiting = re.search(r"<dt>Waiting</dt><dd>(\d+) postings", told)
    chapter.check(
        "operations said that the record is spared, and how many postings wait",
        waiting is not None and int(waiting[1]) > 0,
    )
    chapter.show(
        camera.page(admin, "/operations", "Operations while the record is away", to="#record-title")
    )
    chapter.check(
        "meanwhile two studies were imaged, assessed and closed as on any day",
        all((study := stage.study(guest)) and study.closed for guest in guests),
    )
    chapter.check(
        "nothing of them was in the record", not any(stage.held(guest)["files"] for guest in guests)
    )
    stage.record.ask(do="come_back")
    for guest in guests:
        wait_held(stage, guest, charges=len(stage.evening.shots(guest)) + 1)
        check_held(stage, guest, chapter)
    chapter.happened = (
        "Shortly after two the patient record could not be reached. At two hospitals patients lay "
        "on the table."
    )
    chapter.system = (
        "The rooms noticed nothing. What had to be posted waited on disk; after some failures the "
        "record was left in peace and only tried now and then. When it answered again, everything "
        "went out by itself, in order."
    )
    chapter.person = "Nobody had to type anything twice. Operations showed what was waiting."
    chapter.record = "Both studies' charges and draft notes, each once, an outage later."
    return chapter


def refused_charge(stage: Stage, camera: Camera) -> Chapter:
    """The record refuses one of Boulder's charges, in its own words."""
    guest = stage.guest("Boulder")
    at = stage.evening.day.moment(15, 40)
    chapter = Chapter(10, at, "Tarnbeck, charge desk", guest.name, "A charge that was refused")
    stage.record.ask(do="refuse", study_instance_uid=guest.study, words=_REFUSAL)
    desk = stage.desk("billing-1")
    day = f"/sites/{guest.site}/charges?day={stage.evening.day.date}"
    told = stage.wait_for(
        "the refusal at the charge desk",
        lambda: _page_with(desk, day, _REFUSAL, "refused by the record"),
    )
    chapter.check(
        "the charge desk showed the refusal in the record's own words",
        f"The record's words: <q>{_REFUSAL}</q>" in told,
    )
    short = stage.held(guest)["charges"]
    chapter.check(
        "the record was one charge short", total(short) == guest.held_eur - Decimal("44.00")
    )
    chapter.show(
        camera.page(
            desk,
            day,
            to="#exceptions",
            words=_REFUSAL,
            caption="The charge desk of Tarnbeck, with the record's words",
        )
    )
    stage.record.ask(do="mend", study_instance_uid=guest.study)
    form = desk.form(day, "/charges/confirm", having="Release the charges")
    chosen = picks(desk.page(day), guest.study)
    confirm = desk.send_for(form.with_fields(what="release", pick=chosen), "/charges/release")
    desk.send(confirm)
    stage.wait_for(
        "the charge in the record", lambda: total(stage.held(guest)["charges"]) == guest.held_eur
    )
    after = stage.held(guest)
    chapter.check(
        "released, it went out again under the same key, and stands there once",
        len({one["posting_key"] for one in after["charges"]})
        == len(after["charges"])
        == after["files"]
        == 5,
    )
    settled = stage.wait_for(
        "nothing left to settle",
        lambda: _page_with(desk, day, "Nothing to settle", without="refused by the record"),
    )
    chapter.check(
        "the desk had nothing left to settle at Tarnbeck, and no refusal on it",
        _REFUSAL not in settled,
    )
    check_held(stage, guest, chapter)
    chapter.happened = f"The patient record refused one of Boulder's charges: '{_REFUSAL}'."
    chapter.system = (
        "It brought the refusal to the charge desk with the record's own words, and held back "
        "nothing else. It did not try again by itself: only a person knows when the cause is gone."
    )
    chapter.person = (
        "The biller called the front desk, where the hold was lifted, and released the charges "
        "with one confirmation."
    )
    chapter.record = "96.20 EUR, as it should be: the refused charge came once, under its own key."
    return chapter


def _page_with(desk: Desk, address: str, *words: str, without: str = "") -> str | None:
    """Give a page once all of these words stand on it, and those that are not to do not."""
    page = html.unescape(desk.page(address))
    if without and without in page:
        return None
    return page if all(one in page for one in words) else None
