"""A record adapter as a group whose sites keep different records would write it: each site's own.

It is installed as any adapter is, by an entry point (``write_entry_point``). Its options are those
of the others with the site before them: ``north.adapter``, ``north.base_url``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import ClassVar

from schemas.facts import RecordLine
from services.records.adapters.fhir import FhirAdapter
from services.records.adapters.folder import FolderAdapter
from services.records.adapters.hl7 import Hl7Adapter
from services.records.port import (
    DATA_DIR_OPTION,
    Answer,
    ChargeAnswer,
    ChargePosting,
    CorrectionPosting,
    HeldLine,
    LateAnswer,
    NotePosting,
    OrderOffer,
    PatientRecord,
    Unreadable,
    Verdict,
)

NAME = "invented-by-site"
_KINDS: dict[str, type[FhirAdapter | FolderAdapter | Hl7Adapter]] = {
    one.NAME: one for one in (FhirAdapter, FolderAdapter, Hl7Adapter)
}
_MARK = "|"


def write_entry_point(folder: Path) -> Path:
    """Write what makes the adapter known; give the folder that has to be on the Python path."""
    package = folder / "adapters"
    info = package / "invented_by_site-1.0.dist-info"
    info.mkdir(parents=True, exist_ok=True)
    metadata = "Metadata-Version: 2.1\nName: invented-by-site\nVersion: 1.0\n"
    (info / "METADATA").write_text(metadata, encoding="utf-8")
    points = f"[gomphosis.record_adapters]\n{NAME} = {__name__}:BySite\n"
    (info / "entry_points.txt").write_text(points, encoding="utf-8")
    return package


class BySite(PatientRecord):
    """Hands every verb to the record of the posting's site."""

    NAME: ClassVar[str] = NAME

    def __init__(self, options: dict[str, str]) -> None:
        data_dir = options.get(DATA_DIR_OPTION, ".")
        told: dict[str, dict[str, str]] = {}
        for name, value in options.items():
            site, dot, option = name.partition(".")
            if dot:
                told.setdefault(site, {DATA_DIR_OPTION: data_dir})[option] = value
        self._records: dict[str, PatientRecord] = {
            site: _KINDS[own.pop("adapter")](own) for site, own in told.items()
        }

    def post_charge(self, posting: ChargePosting) -> ChargeAnswer:
        return self._records[posting.site].post_charge(posting)

    def post_charges(self, postings: Sequence[ChargePosting]) -> Mapping[str, ChargeAnswer]:
        sites = {posting.site for posting in postings}
        if len(sites) > 1:
            return {}  # each alone: an outage is one record's only
        return self._records[sites.pop()].post_charges(postings)

    def reverse_charge(self, posting: ChargePosting) -> ChargeAnswer:
        return self._records[posting.site].reverse_charge(posting)

    def correct_charge(self, posting: CorrectionPosting) -> Answer:
        return self._records[posting.site].correct_charge(posting)

    def find_charge(self, posting: ChargePosting) -> HeldLine | None:
        return self._records[posting.site].find_charge(posting)

    def read_charges(
        self, *, study_instance_uid: str | None = None, patient_id: str | None = None
    ) -> Sequence[HeldLine]:
        return [
            line
            for record in self._records.values()
            for line in record.read_charges(
                study_instance_uid=study_instance_uid, patient_id=patient_id
            )
        ]

    def read_lines(self, site: str, first: date, last: date) -> Iterable[RecordLine | Unreadable]:
        return self._records[site].read_lines(site, first, last)

    def post_note(self, posting: NotePosting) -> Answer:
        return self._records[posting.site].post_note(posting)

    def check(self) -> Verdict:
        verdicts = {site: record.check() for site, record in self._records.items()}
        words = "; ".join(f"{site}: {verdict.words}" for site, verdict in verdicts.items())
        return Verdict(all(verdict.ok for verdict in verdicts.values()), words)

    def read_orders(self) -> Iterable[OrderOffer | Unreadable]:
        for site, record in self._records.items():
            for item in record.read_orders():
                yield replace(item, token=f"{site}{_MARK}{item.token}")

    def read_answers(self) -> Iterable[LateAnswer | Unreadable]:
        for site, record in self._records.items():
            for item in record.read_answers():
                yield replace(item, token=f"{site}{_MARK}{item.token}")

    def settle(self, item: OrderOffer | LateAnswer | Unreadable) -> None:
        site, _, token = item.token.partition(_MARK)
        self._records[site].settle(replace(item, token=token))

    def close(self) -> None:
        for record in self._records.values():
            record.close()
