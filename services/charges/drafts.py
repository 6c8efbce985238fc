"""The lines of a study at the tariff's prices, given which bundles are charged."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from schemas.conclusions import NotCharged
from schemas.tariffs import Consumable, ViewRule, WithoutWord
from services.charges.case import Case, CaseBundle, CaseView


@dataclass(frozen=True, slots=True)
class Draft:
    """A line before caps, discount and tax. ``amount`` is at the tariff's price, or what is left.

    ``images`` or ``facts`` are what it rests on: without either there is no line.
    """

    code: str
    amount: Decimal
    unit_amount: Decimal
    reason: str
    rule: str
    images: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()
    consumable: bool = False

    def left_out(self, reason: str) -> Iterator[NotCharged]:
        """Say of all that the line was for why it is not charged."""
        for about in self.images if self.images and not self.consumable else (self.code,):
            yield NotCharged(about=about, reason=reason)


@dataclass(frozen=True, slots=True)
class Drafted:
    """The draft lines in working order, and what has no price."""

    lines: tuple[Draft, ...]
    not_charged: tuple[NotCharged, ...]


def share_out(chosen: Sequence[CaseBundle]) -> dict[str, CaseBundle] | None:
    """Give each image that a bundle covers to the first; None where one is left without any."""
    covered: dict[str, CaseBundle] = {}
    for one in chosen:
        own = [uid for uid in one.images if uid not in covered]
        if not own:
            return None
        covered |= dict.fromkeys(own, one)
    return covered


def draft(case: Case, chosen: Sequence[CaseBundle], covered: Mapping[str, CaseBundle]) -> Drafted:
    """Draft the lines with these bundles charged and their images shared out."""
    lines = [_bundle_line(case, one, covered) for one in chosen]
    not_charged: list[NotCharged] = []
    for view in case.views:
        if view.image.sop_instance_uid in covered:
            continue
        if view.rule is None:
            about = view.image.sop_instance_uid
            not_charged.append(NotCharged(about=about, reason=_no_price(case, view)))
        else:
            lines.append(_view_line(case, view, view.rule, first=not lines))
    shown = {uid for line in lines for uid in line.images}
    first = next((uid for uid in _uids(case) if uid in shown), None)
    if first is not None:
        lines += _after_hours(case)
    for consumable in case.tariff.consumables:
        found = _NOTHING_BESIDE if first is None else _consumable(case, consumable, first)
        if isinstance(found, Draft):
            lines.append(found)
        elif case.assessment.images:
            not_charged.append(NotCharged(about=consumable.article, reason=found))
    return Drafted(tuple(lines), tuple(not_charged))


_NOTHING_BESIDE = "no view is charged that it could be charged with"


def _line(
    case: Case,
    code: str,
    reason: str,
    rule: str,
    images: tuple[str, ...] = (),
    facts: tuple[str, ...] = (),
    *,
    consumable: bool = False,
) -> Draft:
    price = case.tariff.articles[code].unit_amount
    return Draft(code, price, price, reason, rule, images, facts, consumable)


def _uids(case: Case) -> list[str]:
    return [view.image.sop_instance_uid for view in case.views]


def _bundle_line(case: Case, one: CaseBundle, covered: Mapping[str, CaseBundle]) -> Draft:
    own = tuple(uid for uid in _uids(case) if covered.get(uid) is one)
    reason = (
        f"series {one.bundle.name}: {one.done} of {one.planned} planned views done, "
        f"in place of {len(own)} single views"
    )
    return _line(case, one.bundle.article, reason, one.bundle.name, own)


def _view_line(case: Case, view: CaseView, rule: ViewRule, *, first: bool) -> Draft:
    shows = f" ({view.image.view})" if view.image.view else ""
    words = "first diagnostic view" if first else "further diagnostic view"
    code = rule.first if first else rule.further
    return _line(case, code, f"{words}{shows}", rule.name, (view.image.sop_instance_uid,))


def _after_hours(case: Case) -> list[Draft]:
    """The first diagnostic view decides: a day that ran late costs the client nothing."""
    supplement, first = case.tariff.after_hours, case.views[0]
    if supplement is None or not first.after_hours:
        return []
    reason = "the first diagnostic view was taken outside of opening hours"
    return [_line(case, supplement.article, reason, "after-hours", (first.image.sop_instance_uid,))]


def _consumable(case: Case, consumable: Consumable, first: str) -> Draft | str:
    """Draft one for the patient, or say why there is none."""
    told, fact = case.assessment.new_sensor_cover, case.assessment.readiness_fact
    code = consumable.article
    if told and fact is not None:
        reason = "one new sensor cover for each patient, as the readiness check says"
        return _line(case, code, reason, "consumable", facts=(fact,), consumable=True)
    if told is False:
        return "the readiness check tells of no new cover"
    if consumable.where_not_told is WithoutWord.LEAVE:
        return "no readiness check tells of a new cover"
    reason = "one new sensor cover for each patient, with the first diagnostic view"
    return _line(case, code, reason, "consumable", (first,), consumable=True)


def _no_price(case: Case, view: CaseView) -> str:
    patient = case.assessment.patient
    who = patient.species if patient is not None else "patient"
    lacks = []
    if patient is not None and patient.weight is None:
        lacks.append("its weight is not known")
    if view.image.technique is None:
        lacks.append("the view's technique is not known")
    why = f" ({'; '.join(lacks)})" if lacks else ""
    return f"tariff {case.tariff.code} has no price for this view of a {who}{why}"
