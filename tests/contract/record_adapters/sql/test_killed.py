"""A poster that is killed after its row was committed: what came of it is looked up."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

from services.runtime.store import Store
from tests.contract.record_adapters.posting_desk import Desk, study_of
from tests.record_stand_ins.sql_server import SqlServer
from tests.servers.stand_in import ROOT


def test_a_row_that_was_committed_before_the_poster_was_killed_is_not_repeated(
    record_side: SqlServer, store: Store, tmp_path: Path
) -> None:
    url_file = tmp_path / "url"
    url_file.write_text(record_side.our_url())
    adapter = record_side.adapter()
    desk = Desk(store, adapter)
    desk.take(study_of("P-1"), study_of("P-2"))
    command = ["-m", "tests.contract.record_adapters.sql.dying_adapter"]

    ended = subprocess.run(
        [sys.executable, *command, store.url.render_as_string(), str(url_file), "2"],
        cwd=ROOT,
        timeout=60,
        check=False,
    )

    assert ended.returncode == -signal.SIGKILL
    assert len(record_side.sql("SELECT sequence FROM gomphosis_charge")) == 2
    assert list(desk.states().values()).count("posted") == 1
    desk.post_all()
    adapter.close()
    assert set(desk.states().values()) == {"posted"}
    assert len(record_side.sql("SELECT sequence FROM gomphosis_charge")) == 6
