"""Postings through outages, other posters and kills: delayed, never lost or doubled."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from threading import Event, Thread, Timer
from typing import Any

import pytest

from schemas.facts import PostingOutcome
from services.records.pacing import back_off_s
from services.records.port import (
    ChargeAnswer,
    ChargePosting,
    RecordRefused,
    RecordUnavailable,
)
from services.records.poster import Poster
from services.records.suite.samples import credit, entry
from services.runtime.store import Store
from tests.contract.forgetful_record import ForgetfulRecord, held
from tests.contract.record_samples import charges
from tests.contract.records_line import Line, charge_of, key
from tests.servers.polling import wait_until


def test_one_patient_in_trouble_holds_up_no_other_and_keeps_its_order(line: Line) -> None:
    line.record.trouble["P-1"] = RecordUnavailable("the record locks this patient (invented)")
    study = "2.25.1"
    line.take(
        charges(
            entry(1, study, patient_id="P-1"),
            entry(2, study, patient_id="P-1"),
            study_instance_uid=study,
            patient_id="P-1",
        ),
        *(charge_of(f"P-{number}") for number in range(2, 9)),
    )

    line.post_all()

    waiting = {posting for posting, state in line.states().items() if state == "waiting"}
    assert waiting == {key(1, study), key(2, study)}
    assert key(2, study) not in line.record.asked

    line.record.trouble.clear()
    line.clock.now += timedelta(hours=1)
    line.post_all()

    assert line.held(patient_id="P-1") == [key(1, study), key(2, study)]


@pytest.mark.parametrize(
    "trouble",
    [
        RecordUnavailable("connection refused (invented)"),
        RecordRefused("credentials refused (invented)"),
        RuntimeError("a defect of the adapter (invented)"),
    ],
    ids=["outage", "refusal", "defect"],
)
def test_trouble_only_delays_and_waits_grow(line: Line, trouble: Exception) -> None:
    line.take(charge_of("P-1"))
    line.record.trouble["P-1"] = trouble

    waits = []
    for attempt in range(1, 6):
        line.poster.post_due()
        (row,) = line.postings()
        assert (row.state, row.attempts, row.words) == ("waiting", attempt, str(trouble))
        waits.append((row.next_try_at - line.clock.now).total_seconds())
        line.poster.post_due()  # not its time yet
        line.clock.now = row.next_try_at
    line.record.trouble.clear()
    line.post_all()

    assert len(line.record.asked) == 6
    assert all(0.5 * 2**n <= wait <= 2**n for n, wait in enumerate(waits))
    assert list(line.states().values()) == ["posted"]
    assert line.postings()[0].words is None


def test_a_clock_that_ran_ahead_and_was_put_right_holds_nothing_up(line: Line) -> None:
    # given: one put off while the poster's clock was two days ahead, with the record found away
    right = line.clock.now
    line.clock.now = right + timedelta(days=2)
    patients = [f"P-{number}" for number in range(1, 5)]
    line.record.trouble = dict.fromkeys(patients, RecordUnavailable("away (invented)"))
    line.take(*(charge_of(patient) for patient in patients))
    line.poster.post_due()
    line.record.trouble.clear()

    # when
    line.clock.now = right
    line.post_all()

    # then
    assert set(line.states().values()) == {"posted"}


def test_what_is_put_in_line_by_a_clock_that_runs_ahead_is_due_at_once(line: Line) -> None:
    # given: the poster's clock is two days behind the worker's
    line.clock.now -= timedelta(days=2)

    # when
    line.take(charge_of("P-1"))
    line.post_all()

    # then
    assert list(line.states().values()) == ["posted"]


def test_an_outage_spares_the_rest_of_the_round(line: Line) -> None:
    patients = [f"P-{number}" for number in range(20)]
    line.record.trouble = dict.fromkeys(patients, RecordUnavailable("away (invented)"))
    line.take(*(charge_of(patient) for patient in patients))

    line.poster.post_due()

    assert len(line.record.asked) == 3


def test_an_answer_that_another_process_marked_meanwhile_is_told_once(line: Line) -> None:
    line.take(charges(entry(1)))
    line.record.meanwhile.append(line.poster.post_due)

    line.poster.post_due()

    assert line.record.asked == [key(1), key(1)]
    assert line.states() == {key(1): "posted"}
    assert len(line.answers()) == 1


def test_waits_double_up_to_five_minutes_and_are_spread() -> None:
    chance = random.Random(1)

    spread = [[back_off_s(attempts, chance) for _ in range(200)] for attempts in (1, 4, 12, 5000)]

    for waits, longest in zip(spread, (1.0, 8.0, 300.0, 300.0), strict=True):
        assert longest / 2 <= min(waits) < max(waits) <= longest
        assert len(set(waits)) > 100


def test_of_two_posters_one_works_and_the_other_takes_over(store: Store, tmp_path: Path) -> None:
    first, second = Event(), Event()
    lines = [Line(store, tmp_path / "record") for _ in range(2)]
    threads = [
        Thread(target=one.poster.run, args=(stop,))
        for one, stop in zip(lines, (first, second), strict=True)
    ]
    for one in lines:
        one.clock.now += timedelta(days=1)
    threads[0].start()
    lines[0].take(charge_of("P-1"))
    wait_until(lambda: len(lines[0].answers()) == 1, 20, "the first poster to post")
    threads[1].start()

    lines[0].take(charge_of("P-2"))
    wait_until(lambda: len(lines[0].answers()) == 2, 20, "one of them to post")
    assert lines[1].record.asked == []
    first.set()
    threads[0].join()
    lines[0].take(charge_of("P-3"))
    wait_until(lambda: len(lines[0].answers()) == 3, 20, "the second poster to take over")

    second.set()
    threads[1].join()
    assert lines[1].record.asked == ["charge:2.25.3:1"]


class Killed(BaseException):
    """Ends a poster where it stands, as a kill does."""


class SlowRecord(ForgetfulRecord):
    """Goes on with a charge whose sender is gone, and holds it only later."""

    answers_within_s = 1.0

    def __init__(self) -> None:
        super().__init__()
        self.still_works: Timer | None = None

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        if self.still_works is not None:
            return super().post_charge(posting)
        line = held(posting, len(self.lines) + 1)
        self.still_works = Timer(self.answers_within_s / 2, self.lines.append, [line])
        self.still_works.start()
        raise Killed


def test_a_poster_that_takes_over_lets_the_record_finish_what_it_was_sent(
    line: Line,
) -> None:
    # given: a poster is killed while the record works on its charge
    line.take(charge_of("P-1"))
    record = SlowRecord()
    poster = Poster(line.store, record, lambda: None, 0.01)
    with pytest.raises(Killed):
        poster.post_due()

    # when: the next one takes over at once
    stop = Event()
    thread = Thread(target=poster.run, args=(stop,))
    thread.start()
    try:
        wait_until(lambda: len(line.answers()) == 1, 20, "the charge to be answered")
    finally:
        stop.set()
        thread.join()
    assert record.still_works is not None
    record.still_works.join()

    # then
    assert record.keys() == ["charge:2.25.1:1"]
    assert list(line.states().values()) == ["posted"]


def test_a_poster_that_waits_for_its_turn_holds_up_nothing(line: Line) -> None:
    # given: one poster at work, another beside it, and a posting that failed once
    record = ForgetfulRecord()
    record.away = True
    stop = Event()
    posters = [Poster(line.store, record, lambda: None, 0.01) for _ in range(2)]
    threads = [Thread(target=poster.run, args=(stop,)) for poster in posters]
    threads[0].start()
    line.take(charge_of("P-1"))
    wait_until(lambda: record.asked, 20, "the first try")
    threads[1].start()

    # when
    record.away = False
    try:
        wait_until(lambda: len(line.answers()) == 1, 30, "the next try")
    finally:
        stop.set()
        for thread in threads:
            thread.join()

    # then
    assert record.keys() == ["charge:2.25.1:1"]


def start_poster(store: Store, record: Path, die_after: int) -> subprocess.Popen[bytes]:
    arguments = [store.url.render_as_string(hide_password=False), str(record), str(die_after)]
    root = Path(__file__).parents[2]
    return subprocess.Popen(
        [sys.executable, "-m", "tests.contract.record_child", *arguments],
        cwd=root,
        stderr=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
    )


def kill_once(process: subprocess.Popen[bytes], reached: Callable[[], bool]) -> None:
    """Kill a poster at work as soon as the record has grown."""
    try:
        wait_until(lambda: reached() or process.poll() is not None, 30, "the record to grow")
    finally:
        if process.poll() is None:
            os.kill(process.pid, signal.SIGKILL)
        process.wait()


@pytest.mark.drill
@pytest.mark.timeout(180)
def test_a_poster_killed_again_and_again_leaves_every_entry_exactly_once(
    line: Line,
) -> None:
    # given 200 postings of ten patients, with credits among them
    for patient in range(10):
        study = f"2.25.{patient}"
        whose: dict[str, Any] = {"patient_id": f"P-{patient}"}
        ledger = [
            entry(n, study, **whose) if n % 4 else credit(n, key(n - 1, study), study, **whose)
            for n in range(1, 21)
        ]
        line.take(charges(*ledger, study_instance_uid=study, **whose))
    total = len(line.postings())
    assert total == 200
    root = line.record.path

    def count() -> int:
        return len(list(root.glob("charges/*/*/*.json")))

    # when the poster dies between answer and mark, and at any other moment
    died_by_itself = 0
    for round_ in range(12):
        before = count()
        process = start_poster(line.store, root, die_after=(0, 3, 7)[round_ % 3])
        kill_once(process, lambda before=before: count() >= before + 12)  # type: ignore[misc]
        died_by_itself += round_ % 3 != 0 and count() < before + 12
        if round_ % 3:
            assert count() > len(line.answers()), "it was to die before it marked the answer"
    assert died_by_itself >= 6
    assert count() < total, "nothing left to post: the kills came too late"
    line.clock.now += timedelta(days=1)
    line.post_all()

    # then the record holds each once, in order, and each answer was told once
    assert set(line.states().values()) == {"posted"}
    assert count() == total
    for patient in range(10):
        study = f"2.25.{patient}"
        held = line.held(study_instance_uid=study)
        assert held == [key(n, study) for n in range(1, 21)]
    told = Counter(answer.posting_key for answer in line.answers())
    assert len(told) == total
    assert set(told.values()) == {1}
    assert {answer.outcome for answer in line.answers()} == {PostingOutcome.ACCEPTED}
