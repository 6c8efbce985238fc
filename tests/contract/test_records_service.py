"""The records service as it is built and run: bus, store, migrations and folder together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Event, Thread

import pytest
import yaml

from schemas.channels import INTAKE, SUBSCRIPTIONS, Exchange
from schemas.envelope import Message, Payload
from schemas.facts import OrderPlaced, PostingAnswered
from schemas.group import Group
from schemas.messages import parse
from services.records import service as records_service
from services.records.adapters.folder import FolderAdapter
from services.records.suite.samples import STUDY, credit, entry, note
from services.runtime.bus import Delivery, Done, Outcome, Outgoing
from services.runtime.service import Runtime, open_runtime
from services.runtime.settings import Settings
from tests.contract.folder_drops import leave, order_file
from tests.contract.record_samples import charges, message
from tests.newest_schema import bring_to_newest
from tests.servers.polling import wait_until


@pytest.fixture
def runtime(tmp_path: Path) -> Iterator[Runtime]:
    (tmp_path / "group").mkdir()
    (tmp_path / "group" / "group.yaml").write_text(yaml.safe_dump(Group.EXAMPLES[0]))
    settings = Settings(data_dir=tmp_path / "data", group_dir=tmp_path / "group")
    opened = open_runtime("records", settings)
    bring_to_newest(opened.store)
    opened.bus.declare(SUBSCRIPTIONS)
    yield opened
    opened.bus.close()
    opened.store.close()


def publish(runtime: Runtime, *messages: Message[Payload]) -> None:
    runtime.bus.publish(
        [
            Outgoing(Exchange.CONCLUSIONS, one.routing_key, str(one.id), one.encode())
            for one in messages
        ]
    )


def test_conclusions_from_the_bus_reach_the_record_and_its_words_come_back(
    runtime: Runtime,
) -> None:
    # given the service at work, and somebody who hears what it offers to intake
    service = records_service.build(runtime)
    stop = Event()
    offered: list[Message[Payload]] = []

    def hear(deliveries: Sequence[Delivery]) -> Sequence[Outcome]:
        offered.extend(parse(delivery.body) for delivery in deliveries)
        return [Done()] * len(deliveries)

    runs = [
        *(lambda loop=loop: loop.run(stop) for loop in service.loops),
        lambda: runtime.relay.run(stop),
        lambda: runtime.bus.consume(INTAKE, hear, stop),
    ]
    threads = [Thread(target=run) for run in runs]
    for thread in threads:
        thread.start()
    record = FolderAdapter({"data_dir": str(runtime.settings.data_dir)})
    first = message(charges(entry(1)))

    # when charges and a note come, one message twice, and the record drops an order
    try:
        publish(runtime, first, message(note(1)))
        publish(runtime, first, message(charges(entry(1), credit(2, entry(1).posting_key))))
        leave(record.path / "orders" / "1.json", order_file())
        wait_until(lambda: len(offered) >= 4, 30, "three answers and one order")
        wait_until(lambda: not list(record.read_orders()), 30, "the order to be settled")
    finally:
        stop.set()
        for thread in threads:
            thread.join()
        service.close()

    # then each is in the record once and was told once
    held = [line.posting_key for line in record.read_charges(study_instance_uid=STUDY)]
    assert held == [entry(1).posting_key, entry(2).posting_key]
    answered = [one.payload for one in offered if isinstance(one.payload, PostingAnswered)]
    assert sorted(answer.posting_key for answer in answered) == [*held, f"note:{STUDY}:1"]
    assert [type(one.payload) for one in offered].count(OrderPlaced) == 1
    assert len(offered) == 4
