"""What an older version kept of notes is read by this one."""

from __future__ import annotations

import sqlalchemy as sa

from schemas.facts import PostingOutcome
from services.notes import store as notes_store
from services.runtime.migrate import go_back, migrate
from services.runtime.store import Store
from tests.assessed import STUDY

_OLD = sa.table(
    "notes_revision",
    sa.column("site", sa.String),
    sa.column("study_instance_uid", sa.String),
    sa.column("revision", sa.Integer),
    sa.column("content", sa.String),
    sa.column("accepted", sa.Boolean),
)


def test_a_revision_that_the_record_took_is_known_to_be_taken_there_and_back(
    database_url: str,
) -> None:
    # given: two revisions as they were kept, of which the record took the first
    store = Store(database_url)
    migrate(store)
    go_back(store, "0016")
    study = {"site": "north", "study_instance_uid": STUDY}
    with store.begin() as connection:
        connection.execute(sa.insert(notes_store.STUDY).values(**study, revision=2, reminded=0))
        for revision, accepted in ((1, True), (2, False)):
            row = {**study, "revision": revision, "content": f"{revision}", "accepted": accepted}
            connection.execute(sa.insert(_OLD).values(row))

    # when
    migrate(store)

    # then
    with store.read() as connection:
        file = notes_store.read_note(connection, "north", STUDY).file
    assert {at: said.outcome for at, said in file.answers.items()} == {1: PostingOutcome.ACCEPTED}
    assert file.holds("1")
    go_back(store, "0016")
    with store.read() as connection:
        rows = connection.execute(sa.select(_OLD.c.revision, _OLD.c.accepted)).all()
    store.close()
    assert {(revision, bool(accepted)) for revision, accepted in rows} == {(1, True), (2, False)}
