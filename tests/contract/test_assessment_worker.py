"""The assessment worker on a real store: facts in by any road, the same assessments out."""

import json
import random
import threading
from collections.abc import Sequence
from datetime import timedelta

import pytest
import typer
from sqlalchemy import delete, select
from typer.testing import CliRunner

from schemas.conclusions import ExposureUse, StudyAssessed, StudyState
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import (
    ClockRead,
    FactWithdrawn,
    OrderCancelled,
    PatientMerged,
    StudyClosed,
    ToothAbsent,
    ViewExcused,
)
from schemas.group import Group
from schemas.messages import parse
from services.assessment import store as assessment_store
from services.assessment.commands import show_study
from services.assessment.dose_ledger import DOSE
from services.assessment.room_day_store import ROOM_DAY
from services.assessment.worker import AssessmentHandler
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from services.runtime.worker import Work
from tests.room_facts import (
    GENERATOR,
    GROUP,
    OTHER_STUDY,
    RULES,
    STUDY,
    VIEWS,
    Facts,
    after,
    exposure,
    image,
    order,
    patient,
    told,
)


def fresh() -> AssessmentHandler:
    """A worker that remembers nothing yet."""
    return AssessmentHandler(GROUP, {"north": RULES})


HANDLER = fresh()


def handle(
    store: Store, messages: Sequence[Message[Payload]], handler: AssessmentHandler = HANDLER
) -> None:
    """Do what the runtime's worker does: one transaction, messages out with it."""
    with store.begin() as connection:
        work = Work(connection, store)
        handler(work, messages)
        work.flush("assessment")


def sent(store: Store, kind: type[Payload] = StudyAssessed) -> list[Message[Payload]]:
    with store.read() as connection:
        bodies = connection.execute(select(OUTBOX.c.body).order_by(OUTBOX.c.id)).scalars()
        messages = [parse(bytes(body)) for body in bodies]
    return [message for message in messages if isinstance(message.payload, kind)]


def newest(store: Store) -> dict[str, StudyAssessed]:
    """What a consumer holds that keeps the newest revision of each study."""
    held: dict[str, StudyAssessed] = {}
    for message in sent(store):
        study = message.payload
        assert isinstance(study, StudyAssessed)
        before = held.get(study.study_instance_uid)
        if before is None or study.revision > before.revision:
            held[study.study_instance_uid] = study
    return held


def content(studies: dict[str, StudyAssessed]) -> dict[str, str]:
    apart = {"revision", "changes"}
    return {uid: study.model_dump_json(exclude=apart) for uid, study in studies.items()}


def empty(store: Store) -> None:
    with store.begin() as connection:
        for table in (assessment_store.FACT, assessment_store.STUDY, DOSE, ROOM_DAY, OUTBOX):
            connection.execute(delete(table))


def morning() -> Facts:
    """Two cats after each other; decisions, a cancelled order and merges among the facts."""
    other = {"patient_id": "P-2001"}
    facts = [
        order(),
        order(revision=2, scheduled_at=after(-86_400.0)),
        order(OTHER_STUDY, patient=patient(patient_id="P-2002")),
        order("2.25.3001"),
        told(OrderCancelled(order_id="3001")),
        told(ClockRead(device=GENERATOR, device_time=after(-130.0)), after(-10.0)),
        told(PatientMerged(kept_patient_id="P-2003", retired_patient_id="P-2001"), after(900.0)),
        told(PatientMerged(kept_patient_id="P-2002", retired_patient_id="P-2003"), after(950.0)),
        told(ViewExcused(study_instance_uid=STUDY, view=VIEWS[3], reason="Woke"), after(330.0)),
        told(StudyClosed(study_instance_uid=STUDY), after(700.0)),
        exposure(50, 75.0, exposure_ms=10.0, ended_early=True),
    ]
    absent = told(ToothAbsent(study_instance_uid=STUDY, tooth=104), after(310.0))
    back = told(FactWithdrawn(withdrawn_key=absent.natural_key, reason="It is there"), after(320.0))
    forth = told(FactWithdrawn(withdrawn_key=back.natural_key, reason="It is not"), after(325.0))
    facts += [absent, back, forth]
    for number in range(5):
        at = 47.0 * number + 5.0 * number**2
        facts += [exposure(number, at), image(number, at + 123.0, view=VIEWS[number])]
    for number in range(3):
        at = 500.0 + 61.0 * number + 7.0 * number**2
        facts.append(exposure(20 + number, at))
        facts.append(image(number, at + 123.0, OTHER_STUDY, view=VIEWS[number], **other))
    return facts


def test_one_batch_gives_each_study_once_with_its_cause(store: Store) -> None:
    handle(store, morning())
    messages = sent(store)
    studies = newest(store)
    assert len(messages) == len(studies) == 3
    assert {study.revision for study in studies.values()} == {1}
    assert {message.source.kind for message in messages} == {"service"}
    assert {message.source.name for message in messages} == {"assessment"}
    assert {message.correlation_id for message in messages} == {"chain-1"}
    assert all(message.causation_id is not None for message in messages)
    assert studies[STUDY].state is StudyState.INCOMPLETE
    assert studies[STUDY].absent_teeth == (104,)
    assert studies["2.25.3001"].state is StudyState.CANCELLED
    assert studies[OTHER_STUDY].patient_id == "P-2002"
    assert studies[OTHER_STUDY].questions == ()
    uses = [e.use for study in studies.values() for e in study.exposures]
    assert uses.count(ExposureUse.IMAGE) == 8
    assert uses.count(ExposureUse.ENDED_EARLY) == 1


def test_any_arrival_order_and_batching_ends_in_the_same_assessment(store: Store) -> None:
    facts = morning()
    handle(store, facts)
    expected = content(newest(store))
    for seed in range(8):
        empty(store)
        rng = random.Random(seed)
        left = [*facts, *rng.sample(facts, 5)]
        rng.shuffle(left)
        while left:
            size = rng.randint(1, 6)
            handle(store, left[:size])
            left = left[size:]
        assert content(newest(store)) == expected, f"seed {seed}"


def test_facts_one_by_one_from_last_to_first_end_in_the_same_assessment(store: Store) -> None:
    facts = morning()
    handle(store, facts)
    expected = content(newest(store))
    empty(store)
    for fact in reversed(facts):
        handle(store, [fact])
    assert content(newest(store)) == expected


def test_a_revision_grows_by_one_with_each_change_and_with_nothing_else(store: Store) -> None:
    handle(store, [order()])
    handle(store, [exposure(1, 0.0), image(1, 3.0, view=VIEWS[0])])
    handle(store, [image(1, 3.0, view=VIEWS[0])])  # told again, under a new message id
    handle(store, [told(StudyClosed(study_instance_uid=STUDY))])
    revisions = [m.payload.revision for m in sent(store) if isinstance(m.payload, StudyAssessed)]
    assert revisions == [1, 2, 3]


def test_a_fact_touches_its_own_room_day_alone(store: Store) -> None:
    elsewhere = {"room": "dental-2"}
    other = patient(patient_id="P-2002")
    handle(store, [order(), order(OTHER_STUDY, patient=other, **elsewhere)])
    before = newest(store)
    handle(store, [exposure(1, 0.0, **elsewhere), image(1, 3.0, OTHER_STUDY, **elsewhere)])
    assert newest(store)[STUDY] == before[STUDY]
    assert newest(store)[OTHER_STUDY].revision == 2


def test_a_decision_before_its_study_waits_and_counts_once_it_comes(store: Store) -> None:
    handle(store, [told(ViewExcused(study_instance_uid=STUDY, view=VIEWS[0], reason="Woke"))])
    assert sent(store) == []
    handle(store, [order()])
    assert "Woke" in {view.words for view in newest(store)[STUDY].views}


def test_a_study_whose_first_image_comes_on_another_day_moves_there(store: Store) -> None:
    day = timedelta(days=1)
    handle(store, [order()])
    assert newest(store)[STUDY].day == after(0.0).date()
    late = image(1, day.total_seconds(), view=VIEWS[0])
    handle(store, [late, exposure(1, day.total_seconds() - 3.0)])
    moved = newest(store)[STUDY]
    assert moved.day == (after(0.0) + day).date()
    assert moved.revision == 2
    assert [e.use for e in moved.exposures] == [ExposureUse.IMAGE]
    handle(store, [exposure(2, 100.0)])  # a fact of the day that it has left
    assert newest(store)[STUDY] == moved


def test_an_image_without_room_is_assessed_with_its_order(store: Store) -> None:
    handle(store, [image(1, 3.0, room=None, view=VIEWS[0]), order()])
    study = newest(store)[STUDY]
    assert study.room == "dental-1"
    assert study.views[0].images == (f"{STUDY}.1.1",)
    empty(store)
    handle(store, [image(1, 3.0, room=None, view=VIEWS[0])])
    assert newest(store)[STUDY].room is None


def test_a_fact_of_an_unknown_site_is_refused_by_name(store: Store) -> None:
    stranger = Group.model_validate_json(
        GROUP.model_dump_json().replace('"name":"north"', '"name":"south"')
    )
    with pytest.raises(InvalidInput, match="site: expected one of south"):
        handle(store, [order()], AssessmentHandler(stranger, {"south": RULES}))


def test_a_fact_with_a_key_too_long_to_be_named_is_refused_and_not_kept(store: Store) -> None:
    handle(store, [order()])
    # No contract lets such a key through: the worker does not rely on that.
    endless = FactWithdrawn.model_construct(
        withdrawn_key="x" * 300, study_instance_uid=STUDY, reason="Long"
    )
    with pytest.raises(InvalidInput, match="natural_key: expected at most 300 characters"):
        handle(store, [told(endless)])
    handle(store, [told(StudyClosed(study_instance_uid=STUDY))])
    assert newest(store)[STUDY].revision == 2


@pytest.mark.parametrize("seed", range(3))
def test_workers_side_by_side_end_in_the_same_assessment(store: Store, seed: int) -> None:
    facts = morning()
    handle(store, facts)
    expected = content(newest(store))
    empty(store)
    random.Random(seed).shuffle(facts)
    failures: list[BaseException] = []

    def work(share: Facts) -> None:
        try:
            for start in range(0, len(share), 2):
                handle(store, share[start : start + 2])
        except BaseException as error:  # noqa: BLE001 - shown by the assertion below
            failures.append(error)

    # Every fact is told to two of the four workers.
    shares = [facts[0::2], facts[1::2], facts[::-1][0::2], facts[::-1][1::2]]
    threads = [threading.Thread(target=work, args=(share,)) for share in shares]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert content(newest(store)) == expected
    with store.read() as connection:
        kept = connection.execute(
            select(assessment_store.STUDY.c.study_instance_uid, assessment_store.STUDY.c.revision)
        ).all()
    # No two workers wrote the same revision: the newest sent is the one that is kept.
    assert {row.study_instance_uid: row.revision for row in kept} == {
        uid: study.revision for uid, study in newest(store).items()
    }
    told_revisions = [
        (m.payload.study_instance_uid, m.payload.revision)
        for m in sent(store)
        if isinstance(m.payload, StudyAssessed)
    ]
    assert len(told_revisions) == len(set(told_revisions))


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
class TestShowStudy:
    """The command ``study`` on a store with one study."""

    def run(
        self, store: Store, monkeypatch: pytest.MonkeyPatch, *arguments: str
    ) -> tuple[int, str]:
        monkeypatch.setenv("GOMPHOSIS_STORE__URL", store.url.render_as_string(hide_password=False))
        monkeypatch.setenv("COLUMNS", "400")
        app = typer.Typer()
        app.command()(show_study)
        result = CliRunner().invoke(app, list(arguments))
        return result.exit_code, result.output

    def test_tells_what_is_missing_and_the_facts(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        handle(store, [order(), exposure(1, 0.0), image(1, 3.0, view=VIEWS[0])])
        code, output = self.run(store, monkeypatch, STUDY, "--facts")
        assert code == 0
        assert "under way" in output
        assert "right upper canine" in output
        assert "not a dosimeter" in output
        assert "order:1001:1" in output
        assert "Invented Pepper" not in output

    def test_gives_json_for_a_script(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        handle(store, [order()])
        code, output = self.run(store, monkeypatch, STUDY, "--json", "--facts")
        assert code == 0
        shown = json.loads(output)
        assert shown[0]["study"]["state"] == "planned"
        assert [fact["kind"] for fact in shown[0]["facts"]] == ["order_placed"]

    def test_ends_with_3_for_an_unknown_study(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        code, output = self.run(store, monkeypatch, "2.25.9")
        assert code == 3
        assert "no assessment" in output
