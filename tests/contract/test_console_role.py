"""The console on PostgreSQL as a role that owns nothing: it works, and the audit stays as it is."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError

from schemas.errors import InvalidInput
from services.console.database_role import grants
from services.runtime import audit, deeds
from services.runtime.migrate import migrate
from services.runtime.store import Store
from tests.assessed import STUDY
from tests.console_support import running_console
from tests.console_told import a_day, hear
from tests.servers.polling import wait_until

pytestmark = pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)


@dataclass
class Role:
    owner: Store
    url: str


@pytest.fixture
def role(database_url: str) -> Iterator[Role]:
    """A role that may log in, with what the command prints, in a store that another one owns."""
    owner = Store(database_url)
    migrate(owner)
    name, password = f"console_{secrets.token_hex(4)}", secrets.token_hex(8)
    with owner.begin() as connection:
        connection.execute(text(f"CREATE ROLE {name} LOGIN PASSWORD '{password}'"))
        connection.execute(text(grants(name).replace(":", r"\:")))
    url = make_url(database_url).set(username=name, password=password)
    yield Role(owner, url.render_as_string(hide_password=False))
    with owner.begin() as connection:
        connection.execute(text(f"DROP OWNED BY {name}"))
        connection.execute(text(f"DROP ROLE {name}"))
    owner.close()


def test_the_console_works_as_its_own_role_and_cannot_change_what_it_wrote_into_the_audit(
    role: Role, tmp_path: Path
) -> None:
    # given: pages are shown, a study is heard of, somebody is refused
    with running_console(tmp_path, role.url) as running:
        hear(running.runtime.store, a_day())
        with running.browser("north", "vet-1") as client:
            shown = client.get(f"/sites/north/rooms/dental-1/studies/{STUDY}")
            assert shown.status_code == 200
            assert client.get("/sites/south").status_code == 403
        before = rows(role.owner)
        assert [row.what for row in before[1]][-1].endswith("/studies/{study}")

    # when: whoever has the console's role tries to change that
    store = Store(role.url)
    for table in ("runtime_deed", "runtime_audit"):
        for statement in (
            f"UPDATE {table} SET site = 'south'",
            f"DELETE FROM {table}",
            f"TRUNCATE {table}",
            f"DROP TRIGGER {table}_added_only ON {table}",
            f"ALTER TABLE {table} DISABLE TRIGGER ALL",
            f"DROP TABLE {table}",
            f"ALTER TABLE {table} RENAME TO elsewhere",
            f"CREATE OR REPLACE FUNCTION {table}_refuse() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RETURN OLD; END $$",
            "SET session_replication_role = replica",
            "UPDATE gomphosis_version SET version_num = '0001'",
        ):
            with pytest.raises(DBAPIError), store.begin() as connection:
                connection.execute(text(statement))
    store.close()

    # then
    assert rows(role.owner) == before


def test_the_role_reads_no_other_services_tables(role: Role) -> None:
    store = Store(role.url)
    with role.owner.read() as connection:
        query = "SELECT tablename FROM pg_tables WHERE schemaname = 'public'"
        tables = list(connection.execute(text(query)).scalars())
    others = [
        one for one in tables if not one.startswith(("console_", "runtime_", "gomphosis_version"))
    ]
    assert others
    for table in others:
        with pytest.raises(DBAPIError, match="permission denied"), store.read() as connection:
            connection.execute(text(f"SELECT 1 FROM {table}"))
    store.close()


def test_a_name_that_is_no_role_is_refused(database_url: str) -> None:
    del database_url
    with pytest.raises(InvalidInput, match="role"):
        grants("console; DROP TABLE runtime_deed")


def rows(store: Store) -> tuple[list[Any], list[Any]]:
    def told() -> bool:
        with store.read() as connection:
            return bool(audit.entries(connection))

    wait_until(told, 60, "the refusal in the audit")
    with store.read() as connection:
        return list(audit.entries(connection)), list(deeds.entries(connection))
