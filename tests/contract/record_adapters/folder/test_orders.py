"""Orders that the record side leaves in the folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.facts import OrderCancelled, OrderPlaced
from services.records.adapters.folder import FolderAdapter
from services.records.port import (
    OrderOffer,
    Unreadable,
)
from tests.contract.folder_drops import leave, order_file


def test_orders_are_told_in_order_until_they_are_settled(folder: FolderAdapter, root: Path) -> None:
    leave(
        root / "orders" / "0002.json",
        order_file(kind="order_cancelled", payload={"order_id": "1001"}),
    )
    leave(root / "orders" / "0001.json", order_file())

    offers = list(folder.read_orders())
    assert list(folder.read_orders()) == offers
    for offer in offers:
        folder.settle(offer)

    assert all(isinstance(offer, OrderOffer) for offer in offers)
    kinds = [offer.payload.__class__ for offer in offers if isinstance(offer, OrderOffer)]
    assert kinds == [OrderPlaced, OrderCancelled]
    assert list(folder.read_orders()) == []
    assert {path.name for path in (root / "orders" / "taken").iterdir()} == {
        "0001.json",
        "0002.json",
    }


@pytest.mark.parametrize(
    ("content", "field"),
    [
        ("{not json", "order file"),
        (order_file(kind="charges_released"), "order file.kind"),
        (order_file(occurred_at="2026-03-02T08:00:00"), "order file.occurred_at"),
        (order_file(site="../north"), "order file.site"),
        (order_file(schema_version=99), "schema_version"),
        (order_file(payload={**OrderPlaced.EXAMPLES[0], "plan": 7}), "payload.plan"),
        (order_file(extra=1), "order file.extra"),
        ('{"payload": "' + "x" * 1_100_000 + '"}', "order file"),
    ],
    ids=["malformed", "kind", "naive", "site", "newer", "payload", "unknown-field", "oversized"],
)
def test_a_bad_order_names_its_field_and_is_laid_aside(
    folder: FolderAdapter, root: Path, content: object, field: str
) -> None:
    leave(root / "orders" / "bad.json", content)
    leave(root / "orders" / "good.json", order_file())

    bad, good = folder.read_orders()
    folder.settle(bad)
    folder.settle(good)

    assert isinstance(bad, Unreadable)
    assert bad.error.field == field
    assert isinstance(good, OrderOffer)
    assert (root / "orders" / "rejected" / "bad.json").exists()
    assert (root / "orders" / "taken" / "good.json").exists()


def test_an_order_that_is_still_being_written_is_left_alone(
    folder: FolderAdapter, root: Path
) -> None:
    leave(root / "orders" / "half.json", '{"kind": "order_pl', old=False)

    assert list(folder.read_orders()) == []
    assert (root / "orders" / "half.json").exists()


def test_an_order_of_the_same_name_never_overwrites_an_older_one(
    folder: FolderAdapter, root: Path
) -> None:
    for _ in range(2):
        leave(root / "orders" / "again.json", order_file())
        for offer in folder.read_orders():
            folder.settle(offer)

    assert len(list((root / "orders" / "taken").iterdir())) == 2


def test_a_link_in_the_order_drop_is_not_followed(
    folder: FolderAdapter, root: Path, tmp_path: Path
) -> None:
    secret = leave(tmp_path / "elsewhere.json", order_file())
    (root / "orders").mkdir(parents=True)
    (root / "orders" / "link.json").symlink_to(secret)

    assert list(folder.read_orders()) == []
