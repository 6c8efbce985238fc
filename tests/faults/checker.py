"""``python -m tests.faults.checker FOLDER``: is what the records hold what happened?

It shares no code with the services: it reads what happened (``truth``), the records' own dumps
(``held``) and what plain SQL gave of the store (``kept``). It ends with 1 where anything was found.
"""

from __future__ import annotations

import re
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from pathlib import Path

from tests.faults.held import Held, Line, Note, read_all
from tests.faults.kept import Kept, exposure_name, read_kept
from tests.faults.truth import (
    Acknowledged,
    Addendum,
    Fact,
    Poison,
    Signature,
    Study,
    read_acknowledged,
    read_studies,
)

SHOWN_EACH = 20


class Kind(StrEnum):
    """What may be found."""

    LOST_FACT = "lost facts"
    DOUBLED_FACT = "doubled facts"
    LOST_CHARGE = "lost charges"
    DOUBLED_CHARGE = "doubled charges"
    WRONG_PATIENT_CHARGE = "charges of a wrong patient"
    LOST_NOTE = "lost notes"
    WRONG_PATIENT_NOTE = "notes of a wrong patient"
    LOST_SIGNED_NOTE = "lost signed notes"
    CHANGED_SIGNED_NOTE = "changed signed notes"
    LOST_ADDENDUM = "lost addenda"
    LOST_POISON = "poison not in triage"
    ALTERED_ENTRY = "entries altered in a record"


@dataclass(frozen=True)
class Finding:
    kind: Kind
    words: str


@dataclass(frozen=True)
class Checked:
    """What was found, and how much was looked at."""

    findings: tuple[Finding, ...]
    looked_at: Mapping[str, int]

    def table(self) -> str:
        counts = Counter(one.kind for one in self.findings)
        lines = [f"{count:>9,}  {what}" for what, count in self.looked_at.items()]
        lines.append("")
        lines += [f"{counts[kind]:>9,}  {kind.value}" for kind in Kind]
        for kind in Kind:
            own = [one.words for one in self.findings if one.kind is kind]
            lines += [f"  {kind.value}: {words}" for words in own[:SHOWN_EACH]]
        return "\n".join(lines)


def check(folder: Path) -> Checked:
    """Check the folder of a campaign."""
    studies = {one.study: one for one in read_studies(folder)}
    acknowledged = list(read_acknowledged(folder))
    held, kept = read_all(folder), read_kept(folder / "dump" / "store.sqlite")
    findings = [
        *_facts(studies.values(), acknowledged, kept),
        *_charges(studies, held.lines),
        *_notes(studies, held),
        *_signed_notes(studies, acknowledged, held.notes),
        *_poison(acknowledged, kept.triage),
        *(Finding(Kind.ALTERED_ENTRY, one) for one in held.altered),
    ]
    counts = Counter(type(one).__name__ for one in acknowledged)
    looked_at = {
        "studies": len(studies),
        "facts acknowledged": counts["Fact"],
        "signatures acknowledged": counts["Signature"],
        "addenda acknowledged": counts["Addendum"],
        "poison refused": counts["Poison"],
        "lines in the records": len(held.lines),
        "notes in the records": len(held.notes),
    }
    return Checked(tuple(findings), looked_at)


def _facts(
    studies: Iterable[Study], acknowledged: Sequence[Acknowledged], kept: Kept
) -> Iterator[Finding]:
    for one in {one: None for one in acknowledged if isinstance(one, Fact)}:
        named = (one.site, one.kind, one.key)
        if (one.site, one.key) not in kept.receipts and named not in kept.things:
            yield Finding(Kind.LOST_FACT, f"{one.site} {one.kind} {one.key}: acknowledged and lost")
    for site, key in kept.unheard:
        yield Finding(Kind.LOST_FACT, f"{site} {key}: kept by intake, unknown to assessment")
    for (site, kind, name), count in kept.things.items():
        if count > 1:
            yield Finding(Kind.DOUBLED_FACT, f"{site} {kind} {name}: kept {count} times")
    real = {
        *((one.site, "image_stored", uid) for one in studies for uid in one.images),
        *((one.site, "order_placed", one.order_id) for one in studies),
        *(
            (one.site, "exposure_ended", exposure_name(*exposure))
            for one in studies
            for exposure in one.exposures
        ),
    }
    for site, kind, name in kept.things:
        if (site, kind, name) not in real:
            yield Finding(Kind.DOUBLED_FACT, f"{site} {kind} {name}: kept, and never was")


def _charges(studies: Mapping[str, Study], lines: Sequence[Line]) -> Iterator[Finding]:
    net: dict[tuple[str, str], tuple[int, Decimal]] = defaultdict(lambda: (0, Decimal(0)))
    keys = Counter((line.site, line.key) for line in lines)
    for (site, key), count in keys.items():
        if count > 1:
            yield Finding(Kind.DOUBLED_CHARGE, f"{site} {key}: held {count} times")
    for line in lines:
        study = studies.get(line.study)
        whose = (line.site, line.patient, line.account)
        if study is None or whose != (study.site, study.patient, study.account):
            right = study and (study.site, study.patient, study.account)
            words = f"{line.where} of study {line.study}: on {whose}, expected {right}"
            yield Finding(Kind.WRONG_PATIENT_CHARGE, words)
            continue
        quantity, amount = net[line.study, line.code]
        net[line.study, line.code] = quantity + line.quantity, amount + line.amount
    wanted = {
        (one.study, charge.code): (charge.quantity, Decimal(charge.amount))
        for one in studies.values()
        for charge in one.charges
    }
    for (study_uid, code), has in {**wanted, **net}.items():
        has = net.get((study_uid, code), (0, Decimal(0)))  # noqa: PLW2901
        expected = wanted.get((study_uid, code), (0, Decimal(0)))
        if has != expected:
            kind = Kind.LOST_CHARGE if has < expected else Kind.DOUBLED_CHARGE
            one = studies[study_uid]
            words = f"{one.site} study {study_uid} {code}: expected {expected}, held {has}"
            yield Finding(kind, words)


def _notes(studies: Mapping[str, Study], held: Held) -> Iterator[Finding]:
    patients = {one.patient for one in studies.values()}
    noted: set[str] = set()
    for note in held.notes:
        study = studies.get(note.study)
        if study is None or note.patient != study.patient:
            right = study and study.patient
            words = f"{note.where} of study {note.study}: {note.patient}, expected {right}"
            yield Finding(Kind.WRONG_PATIENT_NOTE, words)
            continue
        noted.add(note.study)
        others = patients.intersection(re.findall(r"[\w-]+", note.text)) - {study.patient}
        strange = set(note.images) - set(study.images)
        if others or strange:
            words = f"{note.where} of {study.patient}: names {sorted(others | strange)}"
            yield Finding(Kind.WRONG_PATIENT_NOTE, words)
    for study in studies.values():
        if study.noted and study.study not in noted:
            yield Finding(Kind.LOST_NOTE, f"{study.site} study {study.study}: no note")


def _signed_notes(
    studies: Mapping[str, Study], acknowledged: Sequence[Acknowledged], notes: Sequence[Note]
) -> Iterator[Finding]:
    final: dict[str, list[Note]] = defaultdict(list)
    for note in notes:
        if note.final:
            final[note.study].append(note)
    signed: dict[str, list[str]] = defaultdict(list)
    for one in acknowledged:
        if isinstance(one, Signature):
            signed[one.study].append(_body(one.text, one.content_sha256))
        elif isinstance(one, Addendum) and not any(
            _plain(one.text) in _plain(note.text) for note in final[one.study]
        ):
            yield Finding(Kind.LOST_ADDENDUM, f"{one.site} study {one.study}: {one.text}")
    for uid in signed:
        if not final[uid]:
            site = studies[uid].site if uid in studies else "?"
            yield Finding(Kind.LOST_SIGNED_NOTE, f"{site} study {uid}: signed, not in the record")
    for uid, found in final.items():
        # A signature for a content that had changed is void; the one that counts is in all.
        if found and not any(all(_says(note.text, body) for note in found) for body in signed[uid]):
            where = ", ".join(note.where for note in found)
            words = f"study {uid}: {where} do not say what was signed"
            yield Finding(Kind.CHANGED_SIGNED_NOTE, words)


_HASH = "Content hash (SHA-256):"


def _plain(text: str) -> str:
    return " ".join(text.split())


def _body(text: str, content_sha256: str) -> str:
    """Give what a vet read: from the heading to the hash, and that hash behind a bar."""
    told = _plain(text)
    return f"{told[told.index('Imaging note') : told.index(_HASH)].strip()}|{content_sha256}"


def _says(text: str, body: str) -> bool:
    words, _, content_sha256 = body.rpartition("|")
    told = _plain(text)
    return words in told and f"{_HASH} {content_sha256}" in told


def _poison(acknowledged: Sequence[Acknowledged], triage: Sequence[bytes]) -> Iterator[Finding]:
    for one in acknowledged:
        if isinstance(one, Poison) and not any(one.mark.encode() in body for body in triage):
            yield Finding(Kind.LOST_POISON, f"{one.mark}, told at {one.door}")


def main(folder: str) -> int:
    checked = check(Path(folder))
    sys.stdout.write(f"{checked.table()}\n")
    return 1 if checked.findings else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
