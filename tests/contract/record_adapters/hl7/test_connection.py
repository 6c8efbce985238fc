"""The connection to an HL7 v2 record: one, reached again, and by TLS; and its options."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from services.records.adapters.choose import open_record
from services.records.adapters.hl7 import Hl7Adapter
from services.records.port import (
    RecordOptionError,
    RecordRefused,
    RecordUnavailable,
)
from services.records.suite import accepted
from services.records.suite.samples import charge_posting, entry
from services.runtime.settings import RecordsSettings, Settings
from tests.certificates import Authority
from tests.record_stand_ins.mllp_server import MllpServer


class TestOneConnection:
    def test_postings_share_a_connection_and_keep_their_order(
        self, mllp: MllpServer, adapter: Hl7Adapter
    ) -> None:
        for number in range(1, 6):
            accepted(adapter.post_charge(charge_posting(entry(number))))

        assert [one.posting_key for one in mllp.lines()] == [
            entry(number).posting_key for number in range(1, 6)
        ]
        assert mllp.control()["connections"] == 1

    def test_a_record_that_was_started_anew_is_reached_again(self, tmp_path: Path) -> None:
        server = MllpServer(tmp_path)
        server.start()
        adapter = server.adapter()
        try:
            accepted(adapter.post_charge(charge_posting(entry(1))))
            server.kill()
            with pytest.raises(RecordUnavailable):
                adapter.post_charge(charge_posting(entry(2)))
            assert not adapter.check().ok
            server.start()
            accepted(adapter.post_charge(charge_posting(entry(2))))
        finally:
            adapter.close()
            server.kill()


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("certificates") / "ca", "ca")


@pytest.fixture(scope="module")
def secured(authority: Authority, tmp_path_factory: pytest.TempPathFactory) -> Iterator[MllpServer]:
    files = (*authority.issue("record", "127.0.0.1"), authority.certificate)
    with MllpServer(tmp_path_factory.mktemp("secured"), files).running() as made:
        yield made


class TestTls:
    def test_both_sides_show_a_certificate(self, authority: Authority, secured: MllpServer) -> None:
        certificate, key = authority.issue("gomphosis")
        adapter = secured.adapter(
            tls="yes",
            ca_file=str(authority.certificate),
            certificate_file=str(certificate),
            key_file=str(key),
        )
        assert adapter.check().ok, adapter.check().words
        for number in (1, 2):
            accepted(adapter.post_charge(charge_posting(entry(number))))
        adapter.close()
        assert len(secured.lines()) == 2

    def test_without_our_certificate_a_person_is_told(
        self, authority: Authority, secured: MllpServer
    ) -> None:
        adapter = secured.adapter(tls="yes", ca_file=str(authority.certificate))
        verdict = adapter.check()
        assert not verdict.ok
        assert "certificate_file" in verdict.words

    def test_a_record_of_another_authority_is_not_believed(
        self, secured: MllpServer, tmp_path: Path
    ) -> None:
        other = Authority(tmp_path / "other", "other")
        adapter = secured.adapter(tls="yes", ca_file=str(other.certificate))
        with pytest.raises(RecordRefused, match="ca_file"):
            adapter.post_charge(charge_posting())


class TestOptions:
    @pytest.mark.parametrize(
        ("option", "value"),
        [
            ("host", ""),
            ("host", "x" * 70),
            ("port", "0"),
            ("port", "2575.5"),
            ("mode", "INVENTED"),
            ("character_set", "8859/2"),
            ("processing_id", "X"),
            ("timeout_s", "soon"),
            ("tls", "maybe"),
            ("ca_file", "ca.pem"),
            ("codes", "/nowhere/codes.yaml"),
            ("invented", "1"),
        ],
    )
    def test_a_wrong_option_is_named(self, option: str, value: str) -> None:
        told = {"host": "record.invalid", "port": "2575"} | {option: value}
        with pytest.raises(RecordOptionError, match=rf"records\.options\.{option}"):
            Hl7Adapter(told)

    def test_the_settings_choose_it_by_name(self, tmp_path: Path) -> None:
        options = {"host": "record.invalid", "port": "2575"}
        settings = Settings(
            data_dir=tmp_path, records=RecordsSettings(adapter="hl7", options=options)
        )
        record = open_record(settings)
        assert isinstance(record, Hl7Adapter)
        record.close()
