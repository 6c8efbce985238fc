"""Invented studies of whole mouths, as rows to be written under many names and days."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, TypeVar

from schemas.base import Contract
from schemas.conclusions import CodesMissing, ExposureUse, ImageUse, StudyAssessed
from schemas.facts import ExposureEnded, ImageStored, ReadinessChecked
from schemas.teeth import Species
from services.console import bill_rows, note_rows
from services.console.figures import Figures, from_text
from services.console.study_rows import study_row
from tests.assessed import exposure, image
from tests.console_told import charges
from tests.noted import full_mouth, noted

Row = dict[str, Any]
C = TypeVar("C", bound=Contract)
_TOLD = {kind.KIND: kind for kind in (ExposureEnded, ImageStored, ReadinessChecked)}
_REVISIONS = 3


@dataclass(frozen=True, slots=True)
class Template:
    """The rows of one invented study. ``shots``: how many exposures and images came."""

    study: Row
    figures: Figures
    note: Row
    bill: Row
    sections: str
    shots: int

    def figures_of_day(self, day: date) -> Figures:
        return Figures(
            {of._replace(day=day): told for of, told in self.figures.counts.items()},
            {(of._replace(day=day), why): n for (of, why), n in self.figures.reasons.items()},
        )

    def arrivals(
        self, own: Row, numbered: tuple[int, int], day: date, at: datetime, *, whole: bool
    ) -> list[Row]:
        """Lay out what came: a readiness check, then exposures and images in turn.

        ``whole``: as it was told; if not, the fact is left out for the disk's sake.
        """
        kinds = [ReadinessChecked.KIND, *([ExposureEnded.KIND, ImageStored.KIND] * self.shots)]
        return [
            own
            | {
                "natural_key": f"{kind}:{numbered[0]}.{numbered[1]}.{place}",
                "kind": kind,
                "room": "dental-1",
                "day": day,
                "occurred_at": at + timedelta(seconds=30 * place),
                "received_at": at + timedelta(seconds=30 * place + 1),
                "told": _told(kind) if whole else "{}",
            }
            for place, kind in enumerate(kinds)
        ]

    def revisions(self, own: Row, at: datetime, *, whole: bool) -> list[Row]:
        """Lay out the note's revisions, each with other words in its first section."""
        return [
            own
            | {
                "revision": revision,
                "content_sha256": f"{revision:064d}",
                "state": "draft",
                "told_at": at + timedelta(minutes=revision),
                "sections": self.sections.replace("Invented", f"Invented {revision}", 1)
                if whole
                else "[]",
            }
            for revision in range(1, _REVISIONS + 1)
        ]

    def unmapped(self, own: Row, key: str, at: datetime, *, open_: bool) -> Row:
        """Lay out a posting that waits for a code, or did."""
        told = example(CodesMissing, posting_key=key)
        return own | {
            "posting_key": key,
            "told_at": at,
            "open_since": at if open_ else None,
            "snapshot": told.model_dump_json(),
        }


def example(kind: type[C], **values: Any) -> C:
    """Make a contract's first example with other values."""
    return kind.model_validate_json(json.dumps(kind.EXAMPLES[0] | values))


def _told(kind: str) -> str:
    return example(_TOLD[kind]).model_dump_json(exclude_none=True)


def study_uid(site: str, day: int, number: int) -> str:
    return f"{root_of(site)}.{day}.{number}"


def root_of(site: str) -> str:
    return f"2.25.{int(site.rpartition('-')[2]) + 1}"


def invented_template(rng: random.Random) -> Template:
    """Make an invented study of a whole mouth."""
    species = Species.DOG if rng.random() < 0.7 else Species.CAT
    study = full_mouth(f"{species.value}-full-mouth", species)
    operator, device = f"tech-{rng.randint(1, 4)}", f"sensor-{rng.randint(1, 2)}"
    images, exposures = [], []
    for number, seen in enumerate(study.images):
        key = f"exposure:INVENTED-0001:{number}"
        rejected = rng.random() < 0.06
        words = {"use": ImageUse.REJECTED, "words": "rejected: reason 111209"} if rejected else {}
        images.append(seen.model_copy(update={"exposure_key": key, "sensor": device, **words}))
        kerma = rng.lognormvariate(0.3, 0.5)
        uid = seen.sop_instance_uid
        shot = exposure(number, sop_instance_uid=uid, operator=operator, kerma_mgy=kerma)
        exposures.append(shot.model_copy(update={"kap_mgycm2": 28 * kerma}))
    if rng.random() < 0.3:
        early = exposure(90, ExposureUse.ENDED_EARLY, operator=operator, generator="generator-1")
        exposures.append(early)
    whole: StudyAssessed = study.model_copy(
        update={"images": (*images, image(91)), "exposures": tuple(exposures), "closed": True}
    )
    row = study_row("north", whole, datetime(2025, 1, 1, tzinfo=UTC))
    written = noted(whole)
    note = note_rows.with_note(note_rows.empty_note("north", "2.25.1"), written)
    sections = note_rows.revision_row("north", written, datetime(2025, 1, 1, tzinfo=UTC))
    billed = bill_rows.settled(
        bill_rows.empty_bill("north", "2.25.1"), charges(10), date(2025, 1, 1)
    )
    billed |= {"waiting": 0, "waiting_cents": 0, "posted_cents": billed["total_cents"]}
    return Template(
        row,
        from_text(row["figures"]),
        note_rows.settled(note, row),
        billed,
        sections["sections"],
        len(study.images),
    )
