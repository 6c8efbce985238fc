"""What an older version's read model becomes, on both databases."""

from datetime import date

from sqlalchemy import insert, select, text

from services.console.lead.tables import FIGURES_SITE, FIGURES_SITE_DAY, SITE_COUNTS
from services.console.tables import (
    BILL_DAY,
    BILL_MONTH,
    COUNTS,
    FIGURES_DAY,
    FIGURES_MONTH,
    STORAGE_DAY,
    WHOLE_GROUP,
)
from services.runtime.migrate import go_back, migrate
from services.runtime.store import Store


def test_totals_of_days_that_stand_already_are_summed_by_month_and_group(store: Store) -> None:
    go_back(store, "0021")
    with store.begin() as connection:
        for day, site, cents in (
            ("2026-03-02", "north", 3800),
            ("2026-03-31", "north", 100),
            ("2026-03-02", "south", 20),
            ("2026-04-01", "north", 3),
        ):
            connection.execute(
                text(
                    "INSERT INTO console_bill_day (day, site, currency, total_cents) "
                    "VALUES (:day, :site, 'EUR', :cents)"
                ).bindparams(day=day if store.is_sqlite else date.fromisoformat(day)),
                {"site": site, "cents": cents},
            )

    migrate(store)

    with store.read() as connection:
        own = BILL_MONTH.c
        months = connection.execute(select(own.month, own.site, own.total_cents)).all()
        group = connection.execute(
            select(BILL_DAY.c.day, BILL_DAY.c.total_cents).where(BILL_DAY.c.site == "")
        ).all()
    assert sorted(tuple(row) for row in months) == [
        (date(2026, 3, 1), "north", 3900),
        (date(2026, 3, 1), "south", 20),
        (date(2026, 4, 1), "north", 3),
    ]
    assert sorted(tuple(row) for row in group) == [
        (date(2026, 3, 2), 3820),
        (date(2026, 3, 31), 100),
        (date(2026, 4, 1), 3),
    ]


def test_sums_of_sites_and_of_storage_that_stand_already_are_taken_over(store: Store) -> None:
    # given
    go_back(store, "0028")
    march, april = date(2026, 3, 1), date(2026, 4, 1)
    with store.begin() as connection:
        for number, (by, site, month) in enumerate((
            ("all", "north", march),
            ("all", "north", april),
            ("all", "south", march),
            ("all", WHOLE_GROUP, march),
            ("view", "north", march),
        ), start=1):  # fmt: skip
            key = {"by": by, "site": site, "month": month, "name": ""}
            connection.execute(insert(FIGURES_MONTH), dict.fromkeys(COUNTS, number) | key)
        for site, images in (("north", 3), ("south", 4)):
            row = {"day": march, "site": site, "images": images, "bytes": 10 * images}
            connection.execute(insert(STORAGE_DAY), row)

    # when
    migrate(store)

    # then
    with store.read() as connection:
        found = connection.execute(select(FIGURES_SITE)).all()
        group = connection.execute(
            select(STORAGE_DAY.c.images, STORAGE_DAY.c.bytes).where(
                STORAGE_DAY.c.site == WHOLE_GROUP
            )
        ).one()
    assert {(row.month, row.site): set(row[2:]) for row in found} == {
        (march, "north"): {1},
        (april, "north"): {2},
        (march, "south"): {3},
    }
    assert {len(row) for row in found} == {2 + len(SITE_COUNTS)}
    assert tuple(group) == (7, 70)

    # and back, and forward again
    go_back(store, "0028")
    migrate(store)
    with store.read() as connection:
        assert len(connection.execute(select(FIGURES_SITE)).all()) == 3
        assert len(connection.execute(select(STORAGE_DAY)).all()) == 3


def test_figures_that_stand_already_are_summed_by_site_and_day(store: Store) -> None:
    # given
    go_back(store, "0029")
    monday, tuesday = date(2026, 3, 2), date(2026, 3, 3)
    with store.begin() as connection:
        for number, (site, day, view) in enumerate((
            ("north", monday, "view-1"),
            ("north", monday, "view-2"),
            ("north", tuesday, "view-1"),
            ("south", monday, "view-1"),
        ), start=1):  # fmt: skip
            key = {"site": site, "day": day, "view": view}
            key |= {"operator": "", "device": "", "species": ""}
            connection.execute(insert(FIGURES_DAY), dict.fromkeys(COUNTS, number) | key)

    # when
    migrate(store)

    # then
    with store.read() as connection:
        found = connection.execute(select(FIGURES_SITE_DAY)).all()
    assert {(row.site, row.day): set(row[2:]) for row in found} == {
        ("north", monday): {3},
        ("north", tuesday): {3},
        ("south", monday): {4},
    }
    assert {len(row) for row in found} == {2 + len(COUNTS)}
