"""Charges that an older version kept or told are read by this one."""

import json
from datetime import date

from sqlalchemy import insert, select

from schemas.conclusions import ChargesAssessed
from schemas.messages import read_payload
from services.charges.store import STUDY
from services.runtime.migrate import go_back, migrate
from services.runtime.store import Store
from tests.assessed import assessed, image


def test_studies_that_are_kept_already_are_found_by_their_day(database_url: str) -> None:
    # given: a study as it was kept before its day had a column
    store = Store(database_url)
    migrate(store)
    go_back(store, "0013")
    kept = {
        "site": "north",
        "study_instance_uid": "2.25.1001",
        "released": False,
        "assessment": assessed(images=[image(1)]).model_dump_json(),
        "revision": 0,
    }
    with store.begin() as connection:
        connection.execute(insert(STUDY).values(kept))

    # when
    migrate(store)

    # then
    with store.read() as connection:
        day = connection.scalar(select(STUDY.c.service_day))
    store.close()
    assert day == date(2026, 3, 2)


def test_a_ledger_of_version_1_is_for_the_studys_patient_where_it_names_none() -> None:
    old = json.loads(json.dumps(ChargesAssessed.EXAMPLES[0]))
    for field in ("prices_include_tax", "taxes", "total_with_tax"):
        del old[field]
    for entry in old["ledger"]:
        del entry["patient_id"], entry["account"]

    read = read_payload("charges_assessed", 1, old)

    assert isinstance(read, ChargesAssessed)
    assert [(one.patient_id, one.account) for one in read.ledger] == [("P-1001", "ACC-1001")]
