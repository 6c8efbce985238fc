"""A patient's dose over the period, told by each of its studies: the same by any road."""

import random
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select

from schemas.conclusions import DoseVerdict, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import ImageStored, OrderPlaced, PatientMerged
from schemas.limits import DoseLimits, load_dose_limits
from services.assessment.dose_ledger import DOSE, doses_of_studies
from services.assessment.dose_rows import patient_dose, row_of
from services.assessment.rules import Rules
from services.assessment.worker import AssessmentHandler
from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.contract.test_assessment_worker import content, empty, handle, newest
from tests.room_facts import GROUP, VIEWS, exposure, image, order, patient, rules, told

DAY = timedelta(days=1)
Facts = list[Message[Payload]]


def limits(days: int = 30, notify: float = 3.0, alert: float = 30.0) -> DoseLimits:
    packaged = load_dose_limits().model_dump()
    period = {"days": days, "kerma_mgy": {"notify": notify, "alert": alert}, "kap_mgycm2": None}
    return DoseLimits.model_validate(packaged | {"per_patient_period": period})


def site_rules(**changes: float) -> Rules:
    packaged = rules()
    return Rules(
        plans=packaged.plans,
        limits=limits(**changes),  # type: ignore[arg-type]
        model=packaged.model,
        references=packaged.references,
    )


def fresh() -> AssessmentHandler:
    return AssessmentHandler(GROUP, {"north": site_rules()})


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()


def moved(fact: Message[Payload], by: timedelta) -> Message[Payload]:
    """Tell the same some days later, under a counter of its own."""
    payload = fact.payload
    if isinstance(payload, OrderPlaced):
        payload = payload.model_copy(update={"scheduled_at": payload.scheduled_at + by})
    if isinstance(payload, ImageStored):
        payload = payload.model_copy(update={"acquired_at": payload.acquired_at + by})
    at: datetime = fact.occurred_at + by
    return told_at(payload, at, fact)


def told_at(payload: Payload, at: datetime, like: Message[Payload]) -> Message[Payload]:
    return told(payload, at, like.source.name)


def visit(number: int, days: float, exposures: int = 2, patient_id: str = "P-1001") -> Facts:
    """One visit of a cat, ``days`` after the first, of so many exposures with their images."""
    study = f"2.25.{number}"
    facts = [order(study, patient=patient(patient_id=patient_id))]
    for i in range(exposures):
        at = 60.0 * i + 7.0 * i * i
        facts.append(exposure(100 * number + i, at, reported_kerma_mgy=1.0))
        facts.append(image(i, at + 4.0, study, view=VIEWS[i], patient_id=patient_id))
    return [moved(fact, days * DAY) for fact in facts]


def period(store: Store, number: int) -> tuple[int, int]:
    """Studies and exposures of the period as a study tells them."""
    told_ = newest(store)[f"2.25.{number}"].dose.patient_period
    assert told_ is not None
    return told_.studies, told_.exposures


def test_a_second_visit_tells_both_and_warns_while_it_is_under_way(store: Store) -> None:
    handle(store, visit(1, 0.0), fresh())
    first = newest(store)["2.25.1"].dose
    assert first.patient_period is not None
    assert first.patient_period.verdict is DoseVerdict.WITHIN
    assert first.patient_period.kerma_mgy == pytest.approx(first.kerma_mgy)
    # when: the second visit is ordered, before anything is exposed
    second = visit(2, 10.0)
    handle(store, second[:1], fresh())
    assert period(store, 2) == (2, 2)
    handle(store, second[1:], fresh())
    dose = newest(store)["2.25.2"].dose
    assert dose.patient_period is not None
    assert dose.patient_period.kerma_mgy == pytest.approx(first.kerma_mgy + dose.kerma_mgy)
    assert dose.patient_period.other_studies == ("2.25.1",)
    assert dose.patient_period.verdict is DoseVerdict.NOTIFY
    assert "at or above the notify level" in dose.patient_period.words
    assert dose.verdict is DoseVerdict.WITHIN  # this study alone
    # The earlier study does not know what came after it.
    assert period(store, 1) == (1, 2)


def test_the_period_holds_its_last_days_and_no_more(store: Store) -> None:
    handle(store, visit(1, 0.0) + visit(2, 29.0) + visit(3, 30.0), fresh())
    assert period(store, 2) == (2, 4)
    assert period(store, 3) == (2, 4)  # the first lies 30 days back: outside of 30 days


def test_an_exposure_told_late_to_an_earlier_study_is_told_by_the_later_ones(store: Store) -> None:
    earlier, later = visit(1, 0.0), visit(2, 5.0)
    handle(store, earlier[:3] + later, fresh())
    assert period(store, 2) == (2, 3)
    handle(store, earlier[3:], fresh())
    assert period(store, 2) == (2, 4)
    study = newest(store)["2.25.2"]
    assert study.revision == 2


def test_merged_patients_are_one_and_other_patients_are_not_counted(store: Store) -> None:
    handle(store, visit(1, 0.0, patient_id="P-0900") + visit(2, 5.0), fresh())
    handle(store, visit(3, 5.5, patient_id="P-7777"), fresh())
    assert period(store, 2) == (1, 2)
    merge = PatientMerged(kept_patient_id="P-1001", retired_patient_id="P-0900")
    handle(store, [told(merge)], fresh())
    assert period(store, 2) == (2, 4)
    assert period(store, 3) == (1, 2)


def test_an_order_corrected_to_another_patient_leaves_the_first_ones_sum(store: Store) -> None:
    first, second = visit(1, 0.0), visit(2, 5.0)
    handle(store, first + second, fresh())
    assert period(store, 2) == (2, 4)
    placed = first[0].payload
    assert isinstance(placed, OrderPlaced)
    other = placed.model_copy(update={"revision": 9, "patient": patient(patient_id="P-5000")})
    handle(store, [told(other, first[0].occurred_at, "record-north")], fresh())
    assert period(store, 2) == (1, 2)


def test_any_order_and_batching_ends_in_the_same_sums(store: Store) -> None:
    facts = visit(1, 0.0, patient_id="P-0900") + visit(2, 0.1) + visit(3, 20.0) + visit(4, 40.0)
    facts.append(told(PatientMerged(kept_patient_id="P-1001", retired_patient_id="P-0900")))
    handle(store, facts, fresh())
    expected = content(newest(store))
    assert [period(store, number)[0] for number in (1, 2, 3, 4)] == [2, 2, 3, 2]
    for seed in range(6):
        empty(store)
        rng = random.Random(seed)
        left = [*facts, *rng.sample(facts, 4)]
        rng.shuffle(left)
        handler = fresh()
        while left:
            size = rng.randint(1, 7)
            handle(store, left[:size], handler if seed % 2 else fresh())
            left = left[size:]
        assert content(newest(store)) == expected, f"seed {seed}"


def test_workers_side_by_side_end_in_the_same_sums_and_wait_for_no_one_for_ever(
    store: Store,
) -> None:
    # Four visits of two patients in four room-days; a merge makes them one patient.
    facts = visit(1, 0.0, patient_id="P-0900") + visit(2, 2.0) + visit(3, 4.0) + visit(4, 6.0)
    facts.append(told(PatientMerged(kept_patient_id="P-1001", retired_patient_id="P-0900")))
    handle(store, facts, fresh())
    expected = content(newest(store))
    empty(store)
    failures: list[BaseException] = []

    def work(share: Facts) -> None:
        handler = fresh()
        try:
            for begin in range(0, len(share), 3):
                handle(store, share[begin : begin + 3], handler)
        except BaseException as error:  # noqa: BLE001 - told below
            failures.append(error)

    threads = [
        threading.Thread(target=work, args=(share,))
        for share in (facts, facts[::-1], facts[1::2] + facts[::2])
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert content(newest(store)) == expected


def test_the_row_of_doses_follows_from_the_assessment(store: Store) -> None:
    handle(store, visit(1, 0.0) + visit(2, 5.0), fresh())
    for uid, study in newest(store).items():
        with store.read() as connection:
            key = ("north", uid)
            assert doses_of_studies(connection, [key]) == {key: patient_dose(study)}
            exposures = connection.execute(
                select(DOSE.c.exposures).where(DOSE.c.study_instance_uid == uid)
            ).scalar()
        assert exposures == row_of(study).exposures


def test_a_group_without_levels_for_the_period_is_told_no_sum(store: Store) -> None:
    packaged = rules()
    none = load_dose_limits().model_copy(update={"per_patient_period": None})
    without = Rules(packaged.plans, none, packaged.model, packaged.references)
    handle(store, visit(1, 0.0), AssessmentHandler(GROUP, {"north": without}))
    study = newest(store)["2.25.1"]
    assert isinstance(study, StudyAssessed)
    assert study.dose.patient_period is None
