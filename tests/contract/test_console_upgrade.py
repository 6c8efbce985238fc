"""What an older version's read model becomes, on both databases."""

from datetime import date

from sqlalchemy import select, text

from services.console.tables import BILL_DAY, BILL_MONTH
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
