"""A site's own node sends on what it keeps: each fact and each image arrives, and counts once."""

import json
import shutil
import socketserver
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import Any

import httpx
import pytest
from pydantic import SecretStr

from schemas.envelope import Message, Payload
from schemas.facts import ChargesReleased, ImageStored, NoteSigned
from schemas.messages import read_payload
from services.forward.group_archive import GroupArchive
from services.forward.group_door import MOST_BYTES, MOST_FACTS, GroupDoor, batches
from services.forward.worker import FACTS_LINE, IMAGES_LINE, line_up
from services.runtime.bus import BusUnavailable
from services.runtime.migrate import migrate
from services.runtime.outbox import Relay, backlogs
from services.runtime.settings import ForwardSettings
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.contract.bus_cases import message as outgoing
from tests.intake_support import HOST, TOKENS, Intake, make_image, running_intake, send
from tests.messages import clock_read, message
from tests.servers.cut_line import CutLine
from tests.servers.polling import wait_until
from tests.servers.ports import LOOPBACK
from tests.site_node import NODE_TOKEN, group_with_node

TIMEOUT_S = 60.0


@pytest.fixture
def group(database_url: str, tmp_path: Path) -> Iterator[Intake]:
    """The group's intake, on each database in turn."""
    made = group_with_node()
    with running_intake(tmp_path / "group", database_url, group=made) as running:
        yield running


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An embedded store at the newest schema, made once."""
    path = tmp_path_factory.mktemp("template") / "store.sqlite3"
    store = Store(f"sqlite:///{path}")
    migrate(store)
    store.close()
    return path


@pytest.fixture
def node(template: Path, tmp_path: Path) -> Iterator[Intake]:
    """The intake of the site's own node, embedded."""
    path = shutil.copyfile(template, tmp_path / "node.sqlite3")
    with running_intake(tmp_path / "node", f"sqlite:///{path}", group=group_with_node()) as running:
        yield running


@pytest.fixture(scope="module")
def door(template: Path) -> Iterator[Intake]:
    """A group's intake for tests that only knock."""
    path = template.with_name("door.sqlite3")
    shutil.copyfile(template, path)
    with running_intake(
        template.with_name("door"), f"sqlite:///{path}", group=group_with_node()
    ) as running:
        yield running


class Lines:
    """Both lines of the node, through a network that can be cut."""

    def __init__(self, node: Intake, group: Intake) -> None:
        self.node = node
        self.http, self.dicom = CutLine(group.http_port), CutLine(group.dicom_port)
        told = ForwardSettings(
            url=f"http://{LOOPBACK}:{self.http.port}",
            token=SecretStr(NODE_TOKEN),
            dicom_host=LOOPBACK,
            dicom_port=self.dicom.port,
        )
        settings = node.runtime.settings.model_copy(update={"forward": told})
        store = node.runtime.store
        archive = GroupArchive(settings, node.runtime.group, store)
        self.door = GroupDoor(told)
        self.facts = Relay(FACTS_LINE, store, self.door)
        self.images = Relay(IMAGES_LINE, store, archive, page=1)

    def line_up(self, messages: Sequence[Message[Payload]]) -> None:
        """Put kept facts into their lines, as the worker of the node does."""
        with self.node.runtime.store.begin() as connection:
            line_up(Work(connection, self.node.runtime.store), messages)

    def left(self) -> dict[str, int]:
        with self.node.runtime.store.read() as connection:
            waiting = {one.service: one.messages for one in backlogs(connection)}
        return {line: waiting.get(line, 0) for line in (FACTS_LINE, IMAGES_LINE)}

    @contextmanager
    def running(self) -> Iterator[None]:
        stop = Event()
        relays = [Thread(target=one.run, args=(stop,)) for one in (self.facts, self.images)]
        for thread in relays:
            thread.start()
        try:
            yield
        finally:
            stop.set()
            for thread in relays:
                thread.join()

    def wait_until_empty(self) -> None:
        wait_until(lambda: not any(self.left().values()), TIMEOUT_S, "both lines to be empty")


@pytest.fixture
def lines(node: Intake, group: Intake) -> Iterator[Lines]:
    made = Lines(node, group)
    with made.http.running(), made.dicom.running():
        yield made
    made.door.close()


def _posted(intake: Intake, token: str, body: bytes) -> httpx.Response:
    return httpx.post(
        f"http://{HOST}:{intake.http_port}/forwarded",
        content=body,
        headers={"Authorization": f"Bearer {token}"},
        timeout=30,
    )


@pytest.mark.parametrize("answers", [False, True], ids=["of the batch", "of its answer"])
def test_facts_arrive_once_each_though_the_line_is_cut_in_the_middle(
    answers: bool, lines: Lines, group: Intake
) -> None:
    # given
    told = [clock_read(number, group="invented-group") for number in range(3 * MOST_FACTS)]
    lines.line_up(told)
    lines.http.cut_after(500 if answers else 90_000, of_answers=answers)

    # when
    with lines.running():
        wait_until(lambda: lines.http.is_cut, TIMEOUT_S, "the cut")
        assert lines.left()[FACTS_LINE] == len(told)
        lines.http.heal()
        lines.wait_until_empty()

    # then
    assert Counter(one.id for one in group.facts()) == Counter(one.id for one in told)
    assert Counter(one.id for one in group.outbox()) == Counter(one.id for one in told)
    assert group.triage() == []


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_fact_keeps_its_id_its_times_and_who_told_it(lines: Lines, group: Intake) -> None:
    # given
    told = clock_read(group="invented-group")
    lines.line_up([told])

    # when
    with lines.running():
        lines.wait_until_empty()

    # then
    assert group.facts() == [told]


def test_images_arrive_byte_for_byte_though_the_line_is_cut_within_one(
    lines: Lines, node: Intake, group: Intake
) -> None:
    # given
    pixels = bytes(256) * 1_200
    for number in range(4):
        image = make_image(number, Rows=400, Columns=384, PixelData=pixels)
        assert send(node.dicom_port, image).Status == 0
    lines.line_up(node.facts())
    lines.dicom.cut_after(len(pixels) + len(pixels) // 2)

    # when
    with lines.running():
        wait_until(lambda: lines.dicom.is_cut, TIMEOUT_S, "the cut")
        lines.dicom.heal()
        lines.wait_until_empty()

    # then
    assert _contents(group) == _contents(node)
    assert len(group.outbox()) == 4
    assert group.kept_files() == node.kept_files()


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_an_image_whose_answer_was_lost_is_known_again(
    lines: Lines, node: Intake, group: Intake
) -> None:
    # given
    assert send(node.dicom_port, make_image()).Status == 0
    lines.line_up(node.facts())
    # A-ASSOCIATE-AC has come back by then, the response to C-STORE has not.
    lines.dicom.cut_after(200, of_answers=True)

    # when
    with lines.running():
        wait_until(lambda: lines.dicom.is_cut, TIMEOUT_S, "the cut")
        lines.dicom.heal()
        lines.wait_until_empty()

    # then
    assert _contents(group) == _contents(node)
    assert len(group.outbox()) == 1


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_what_the_group_cannot_keep_waits_in_its_triage_and_holds_nobody_up(
    lines: Lines, group: Intake
) -> None:
    # given
    elsewhere = clock_read(1, group="invented-group", site="south")
    stranger = clock_read(2, group="another-group")
    signed = message(NoteSigned(**NoteSigned.EXAMPLES[0]), group="invented-group")
    told = read_payload(ChargesReleased.KIND, ChargesReleased.VERSION, ChargesReleased.EXAMPLES[0])
    released = message(told, group="invented-group")
    good = clock_read(3, group="invented-group")
    lines.line_up([elsewhere, stranger, signed, released, good])

    # when
    with lines.running():
        lines.wait_until_empty()

    # then
    assert [one.id for one in group.facts()] == [good.id]
    assert [row.field for row in group.triage()] == ["site", "group", "kind", "kind"]
    assert all(json.loads(row.body)["kind"] for row in group.triage())


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_an_image_that_can_never_be_sent_waits_in_the_nodes_own_triage(
    lines: Lines, node: Intake, group: Intake
) -> None:
    # given
    for number in (1, 2):
        assert send(node.dicom_port, make_image(number)).Status == 0
    gone, kept = node.facts()
    (node.images / gone.payload.path).unlink()  # type: ignore[attr-defined]
    lines.line_up([gone, kept])

    # when
    with lines.running():
        lines.wait_until_empty()

    # then
    assert [row.field for row in node.triage()] == ["path"]
    assert list(_contents(group)) == [kept.payload.sop_instance_uid]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("token", "body", "status"),
    [
        ("nobody's", b"[]", 401),
        (TOKENS["generator-1"], b"[]", 403),
        (TOKENS["console-1"], b"[]", 403),
        (NODE_TOKEN, b"{}", 400),
        (NODE_TOKEN, b"no JSON", 400),
        (NODE_TOKEN, b"[" + b",".join([b"1"] * 1_001) + b"]", 400),
        (NODE_TOKEN, b" " * 1_000_003, 413),
        (NODE_TOKEN, b"[]", 200),
        (NODE_TOKEN, b'[1, null, "a\\u0000b", [], {"kind": "image_stored"}]', 207),
    ],
)
def test_the_door_takes_lists_of_messages_from_nodes_and_nothing_else(
    token: str, body: bytes, status: int, door: Intake
) -> None:
    before = len(door.triage())

    answer = _posted(door, token, body)

    assert answer.status_code == status
    assert door.facts() == []
    assert len(door.triage()) - before == (5 if status == 207 else 0)


def test_a_node_tells_no_image_without_its_file(door: Intake) -> None:
    # given
    told = read_payload(ImageStored.KIND, ImageStored.VERSION, ImageStored.EXAMPLES[0])
    image = message(told, group="invented-group")

    # when
    answer = _posted(door, NODE_TOKEN, b"[" + image.encode() + b"]")

    # then
    assert answer.json()[0] | {"expected": ""} == {
        "outcome": "rejected",
        "field": "kind",
        "expected": "",
    }
    assert door.facts() == []


def test_a_stranger_who_answers_200_has_kept_nothing() -> None:
    # given
    class Portal(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            self.rfile.readline()
            self.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Length: 15\r\n\r\n<html>no</html>")

    with socketserver.ThreadingTCPServer((LOOPBACK, 0), Portal) as portal:
        Thread(target=portal.serve_forever, daemon=True).start()
        url = f"http://{LOOPBACK}:{portal.server_address[1]}"
        door = GroupDoor(ForwardSettings(url=url, token=SecretStr(NODE_TOKEN)))

        # when, then
        with pytest.raises(BusUnavailable, match="gave no outcome for each of 1 facts"):
            door.publish([outgoing("one")])
        door.close()
        portal.shutdown()


@pytest.mark.parametrize("sizes", [[1] * 450, [MOST_BYTES // 2] * 3, [10, MOST_BYTES + 9, 10]])
def test_a_body_holds_no_more_than_intake_takes_and_keeps_the_order(sizes: list[int]) -> None:
    messages = [outgoing(str(number), b"x" * size) for number, size in enumerate(sizes)]

    made = list(batches(messages))

    assert [one for batch in made for one in batch] == messages
    for batch in made:
        assert len(batch) == 1 or (
            len(batch) <= MOST_FACTS and sum(len(one.body) for one in batch) <= MOST_BYTES
        )


def _contents(intake: Intake) -> dict[Any, Any]:
    rows: list[Any] = list(intake.image_rows())
    return {row.sop_instance_uid: row.sha256 for row in rows}
