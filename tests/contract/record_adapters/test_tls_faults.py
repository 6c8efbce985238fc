"""Faults of TLS to a record, by real certificates: for a person, told once, and nothing is lost."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from schemas.conclusions import RecordTask
from services.records.adapters.hl7 import Hl7Adapter
from services.records.bar import standing
from services.records.line_reader import LineReader
from services.records.port import PatientRecord, RecordBarred, RecordOptionError
from services.records.suite import accepted
from services.records.suite.samples import charge_posting, entry
from services.records.waiting import measure
from services.runtime.metrics import RECORD_NEEDS_PERSON
from services.runtime.store import Store
from tests.assessed import GROUP
from tests.certificates import Authority
from tests.contract.record_adapters.posting_desk import Desk, study_of
from tests.contract.record_store import open_store
from tests.handled import sent_of
from tests.record_stand_ins.fhir_server import FhirServer
from tests.record_stand_ins.mllp_server import MllpServer
from tests.servers.ports import LOOPBACK
from tests.servers.tls_front import TlsFront


@dataclass(frozen=True)
class Certificates:
    """``ours`` signs the record's and our own; nobody trusts the stranger."""

    ours: Authority
    stranger: Authority
    record: tuple[Path, Path]
    expired: tuple[Path, Path]
    elsewhere: tuple[Path, Path]
    strangers: tuple[Path, Path]
    client: tuple[Path, Path]


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    folder = tmp_path_factory.mktemp("certificates")
    ours, stranger = Authority(folder / "ours", "ours"), Authority(folder / "other", "stranger")
    return Certificates(
        ours=ours,
        stranger=stranger,
        record=ours.issue("record", LOOPBACK),
        expired=ours.issue("expired", LOOPBACK, days=-1),
        elsewhere=ours.issue("elsewhere", "127.0.0.2"),
        strangers=stranger.issue("strangers", LOOPBACK),
        client=ours.issue("client"),
    )


class Peer:
    """A record behind TLS, and our files as they lie on disk."""

    def __init__(self, certificates: Certificates, server: FhirServer | MllpServer, folder: Path):
        self.known = certificates
        self.server = server
        self.front = TlsFront(server.port)
        self.ca, self.certificate, self.key = (
            folder / name for name in ("ca.pem", "own.pem", "own.key")
        )
        self.be_well()

    def be_well(self) -> None:
        """Set everything right, on both sides."""
        known = self.known
        self.front.show(known.record, known.ours.certificate)
        shutil.copy(known.ours.certificate, self.ca)
        self.have(known.client)

    def trust_a_stranger(self) -> None:
        shutil.copy(self.known.stranger.certificate, self.ca)

    def have(self, own: tuple[Path, Path]) -> None:
        shutil.copy(own[0], self.certificate)
        shutil.copy(own[1], self.key)

    def adapter(self, *, without_own: bool = False, **options: str) -> PatientRecord:
        files = {"ca_file": str(self.ca), **options}
        if not without_own:
            files |= {"certificate_file": str(self.certificate), "key_file": str(self.key)}
        if isinstance(self.server, FhirServer):
            return self.server.adapter(
                base_url=f"https://{LOOPBACK}:{self.front.port}/fhir", **files
            )
        port = str(self.front.port)
        return self.server.adapter(Hl7Adapter, tls="yes", port=port, **files)

    def held(self) -> list[str]:
        if isinstance(self.server, FhirServer):
            items = self.server.held("ChargeItem")
            return [one["identifier"][0]["value"] for one in items]
        return [line.posting_key for line in self.server.lines()]


@pytest.fixture(scope="module")
def servers(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[dict[str, FhirServer | MllpServer]]:
    with ExitStack() as stack:
        yield {
            "fhir": stack.enter_context(FhirServer(tmp_path_factory.mktemp("fhir")).running()),
            "hl7": stack.enter_context(MllpServer(tmp_path_factory.mktemp("mllp")).running()),
        }


@pytest.fixture(params=["fhir", "hl7"])
def peer(
    request: pytest.FixtureRequest,
    servers: dict[str, FhirServer | MllpServer],
    certificates: Certificates,
    tmp_path: Path,
) -> Iterator[Peer]:
    server = servers[request.param]
    server.control(reset=True)
    if isinstance(server, MllpServer):
        server.folder = tmp_path
    made = Peer(certificates, server, tmp_path)
    with made.front.running():
        yield made


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    made = open_store(database_url)
    yield made
    made.close()


FAULTS: dict[str, tuple[Callable[[Peer], None], str]] = {
    "expired": (
        lambda peer: peer.front.show(peer.known.expired),
        "certificate has expired; have the record's certificate renewed",
    ),
    "other name": (
        lambda peer: peer.front.show(peer.known.elsewhere),
        "certificate is for another address; use the name in the certificate",
    ),
    "untrusted": (
        lambda peer: peer.front.show(peer.known.strangers),
        "an authority that we do not trust; have the record's certificate renewed, or put",
    ),
    "wrong CA file": (
        lambda peer: peer.trust_a_stranger(),
        "an authority that we do not trust",
    ),
    "no TLS there": (
        lambda peer: peer.front.speak_plainly(),
        "does not speak TLS; look at its host and port",
    ),
    "ours refused": (
        lambda peer: peer.have(peer.known.strangers),
        "does not trust the authority of our certificate; look at certificate_file",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_of_tls_says_what_is_wrong_and_what_to_do_until_it_is_mended(
    peer: Peer, fault: str
) -> None:
    make, words = FAULTS[fault]
    make(peer)
    record = peer.adapter()
    posting = charge_posting(entry(1))

    with pytest.raises(RecordBarred) as told:
        record.post_charge(posting)
    verdict = record.check()

    assert words in str(told.value)
    assert not verdict.ok
    assert words in verdict.words
    assert peer.held() == []
    peer.be_well()
    accepted(record.post_charge(posting))  # the same adapter: nothing is started anew
    assert record.check().ok
    assert peer.held() == [posting.key]
    record.close()


def test_a_record_that_asks_for_our_certificate_and_gets_none_is_a_fault(peer: Peer) -> None:
    record = peer.adapter(without_own=True)

    with pytest.raises(RecordBarred, match="asks for a certificate of ours"):
        record.post_charge(charge_posting())

    assert "certificate_file" in record.check().words
    record.close()


def test_files_of_ours_that_are_no_pem_files_any_more_are_a_fault(peer: Peer) -> None:
    peer.front.show(peer.known.expired)
    record = peer.adapter()
    with pytest.raises(RecordBarred):
        record.post_charge(charge_posting())
    peer.ca.write_text("no certificate (invented)")

    with pytest.raises(RecordBarred, match="our own TLS files cannot be used"):
        record.post_charge(charge_posting())

    peer.be_well()
    accepted(record.post_charge(charge_posting()))
    record.close()


@pytest.mark.parametrize("option", ["ca_file", "certificate_file"])
def test_a_file_that_is_no_pem_at_start_stops_us_with_its_option_and_its_path(
    peer: Peer, option: str
) -> None:
    spoilt = peer.ca if option == "ca_file" else peer.certificate
    spoilt.write_text("no certificate (invented)")

    with pytest.raises(RecordOptionError) as caught:
        peer.adapter()

    told = str(caught.value)
    assert told.startswith(f"records.options.{option}: expected a PEM file that can be read (")
    assert told.endswith(f"got {str(spoilt)!r}")


@pytest.mark.parametrize("peer", ["hl7"], indirect=True)
def test_a_charge_that_may_not_be_sent_twice_has_not_left_while_our_certificate_is_refused(
    peer: Peer,
) -> None:
    peer.have(peer.known.strangers)
    record = peer.adapter(resend="ask")

    for _ in range(2):
        with pytest.raises(RecordBarred):
            record.post_charge(charge_posting())

    peer.be_well()
    accepted(record.post_charge(charge_posting()))
    record.close()


def test_postings_wait_for_a_person_who_is_told_once_and_then_go_out_by_themselves(
    peer: Peer, store: Store
) -> None:
    # given: a record whose certificate has expired, and charges of three patients
    peer.front.show(peer.known.expired)
    record = peer.adapter()
    desk = Desk(store, record)
    desk.take(*(study_of(f"P-{n}") for n in range(1, 4)))

    # when: it is tried again and again, also by a poster that was started anew
    desk.post_all(rounds=6)
    anew = Desk(store, record)
    anew.now = desk.now
    anew.post_all(rounds=4)

    # then: it is told once, in the conclusions, for the command line and in the metrics
    assert set(anew.states().values()) == {"waiting"}
    (task,) = sent_of(store, RecordTask)
    assert (task.revision, task.record, task.mended_at) == (1, record.NAME, None)
    assert "the record's certificate has expired" in task.words
    assert task.next_action == "have the record's certificate renewed"
    with store.read() as connection:
        assert standing(connection) == [task]
    measure(store, anew.now)
    assert RECORD_NEEDS_PERSON._value.get() == 1

    # and when it is mended, everything goes out, once
    peer.be_well()
    anew.post_all()
    assert set(anew.states().values()) == {"posted"}
    assert sorted(peer.held()) == sorted(anew.states())
    first, mended = sent_of(store, RecordTask)
    assert first == task
    assert (mended.revision, mended.fault, mended.since) == (2, task.fault, task.since)
    assert mended.mended_at is not None
    measure(store, anew.now)
    assert RECORD_NEEDS_PERSON._value.get() == 0
    record.close()


@pytest.mark.parametrize("peer", ["fhir"], indirect=True)
def test_a_fault_that_only_the_reading_of_lines_meets_is_told_once_and_once_when_mended(
    peer: Peer, store: Store
) -> None:
    # given: a record whose certificate has expired, and no posting that waits
    peer.front.show(peer.known.expired)
    record = peer.adapter()
    (north, *_) = GROUP.sites

    # when: the record is read back again and again, also by a reader that was started anew
    reader = LineReader(store, record, lambda: None, GROUP, 1.0, 1)
    anew = LineReader(store, record, lambda: None, GROUP, 1.0, 1)
    for one in (reader, reader, anew):
        with pytest.raises(RecordBarred):
            one.read_site(north)

    # then: it is told once, and not once more by a posting that meets it too
    (task,) = sent_of(store, RecordTask)
    assert (task.record, task.mended_at) == ("fhir-lines", None)
    assert "the record's certificate has expired" in task.words
    desk = Desk(store, record)
    desk.take(study_of("P-1"))
    desk.post_all(rounds=2)
    assert sent_of(store, RecordTask) == [task]

    # and once when it is mended, by whom it was told
    peer.be_well()
    desk.post_all()
    assert sent_of(store, RecordTask) == [task]
    anew.read_site(north)
    anew.read_site(north)
    first, mended = sent_of(store, RecordTask)
    assert first == task
    assert (mended.revision, mended.record) == (2, "fhir-lines")
    assert mended.mended_at is not None
    record.close()


def test_another_fault_is_told_anew_and_an_outage_is_none(peer: Peer, store: Store) -> None:
    record = peer.adapter()
    desk = Desk(store, record)
    desk.take(study_of("P-1"))
    peer.front.show(peer.known.expired)
    desk.post_all(rounds=3)

    peer.front.show(peer.known.strangers)
    desk.post_all(rounds=3)

    assert [(one.revision, one.mended_at) for one in sent_of(store, RecordTask)] == [
        (1, None),
        (2, None),
    ]
    peer.be_well()
    desk.post_all()
    assert set(desk.states().values()) == {"posted"}
    peer.server.kill()
    desk.take(study_of("P-2"))
    desk.post_all(rounds=3)
    peer.server.start()
    assert len(sent_of(store, RecordTask)) == 3
    record.close()
