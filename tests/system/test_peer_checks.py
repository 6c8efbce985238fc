"""``gomphosis check`` verifies with each device that listens, and says how long its TLS is good."""

from __future__ import annotations

import json
from pathlib import Path

from schemas.group import Group
from services.intake.peer_checks import check_peers
from services.runtime.settings import IntakeSettings
from tests.certificates import Pki
from tests.dicom_station import Listener, listening
from tests.intake_support import HOST
from tests.servers.ports import free_port
from tests.system.test_outgoing_tls import group_of


def test_a_listener_with_tls_is_verified_and_one_that_is_away_named(tmp_path: Path) -> None:
    pki = Pki(tmp_path)
    certificate, key = pki.server
    settings = IntakeSettings(tls_certificate=certificate, tls_key=key, tls_ca=pki.ours.certificate)
    own = pki.ours.issue("record", HOST)
    port, nobody = free_port(), free_port()
    told = group_of(port)
    told["sites"][0]["devices"][0]["listens_at"] = {"host": HOST, "port": nobody}
    group = Group.model_validate_json(json.dumps(told))
    record = Listener(tmp_path, port, "RECORD", tls=[*own, pki.ours.certificate])

    with listening(record):
        record.start()
        away, there = check_peers(settings, group)

    assert (away.name, away.good) == ("station-1 of north", False)
    assert "Check that it runs" in away.words
    assert there.name == "record-north of north"
    assert there.words.startswith("verified (C-ECHO); its certificate is good until 20")
    assert "1 days only: have it renewed there" in there.words
    assert not there.good
