"""One site's month: what was imaged and posted, what the record made of it, and the truth."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal

from services.charges.compared import Class, Expected, Held, Posted, SiteBooks
from services.charges.control_totals import Imaged
from tests.simulated_records.conditions import Conditions

FIRST_DAY = date(2026, 3, 1)
FIRST, NEXT, COVER = "INV-IO-FIRST", "INV-IO-NEXT", "INV-COVER"
PRICE = {FIRST: Decimal("38.00"), NEXT: Decimal("14.50"), COVER: Decimal("1.20")}
BY_HAND_ONLY = "INV-IO-OTHER"
"""A code of the family that staff use and the tariff does not."""


@dataclass(slots=True)
class Truth:
    """What each entry (by key) and each line beyond (by line id) really is.

    ``line_of`` names the line that stands for an entry. ``hand`` are the lines that staff entered;
    ``moved`` those at another patient, with the entry that was meant.
    """

    class_of: dict[str, Class] = field(default_factory=dict)
    line_of: dict[str, str] = field(default_factory=dict)
    hand: set[str] = field(default_factory=set)
    moved: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SimulatedMonth:
    books: SiteBooks
    imaged: tuple[Imaged, ...]
    truth: Truth

    @property
    def last_day(self) -> date:
        return max(one.day for one in self.imaged)

    @property
    def days(self) -> frozenset[date]:
        return frozenset(
            {one.day for one in self.imaged}
            | {one.day for one in self.books.expected}
            | {one.day for one in self.books.held}
        )


def simulate(
    seed: int, conditions: Conditions | None = None, site: str = "north"
) -> SimulatedMonth:
    """Make a month; the same seed and conditions give the same."""
    return _Month(random.Random(seed), conditions or Conditions(), site).make()


class _Month:
    def __init__(self, chance: random.Random, conditions: Conditions, site: str) -> None:
        self.chance = chance
        self.conditions = conditions
        self.site = site
        self.expected: list[Expected] = []
        self.held: list[Held] = []
        self.imaged: list[Imaged] = []
        self.truth = Truth()
        self.lines = 0
        self.visits: deque[tuple[date, str]] = deque(maxlen=200)

    def make(self) -> SimulatedMonth:
        for number in range(self.conditions.days):
            day = FIRST_DAY + timedelta(days=number)
            for place in range(self.conditions.studies_a_day):
                self._study(day, f"2.25.{number + 1}{place + 1:04d}")
        self._staff()
        self.chance.shuffle(self.expected)
        self.chance.shuffle(self.held)
        books = SiteBooks(self.site, "EUR", tuple(self.expected), tuple(self.held), {})
        return SimulatedMonth(books, tuple(self.imaged), self.truth)

    def _study(self, day: date, study: str) -> None:
        patient = self._patient(day, study)
        views = self.chance.randint(1, self.conditions.most_views)
        images = [f"{study}.{number}" for number in range(1, views + 1)]
        repeats = frozenset(f"{study}.9{n}" for n in range(self.chance.choice((0, 0, 1))))
        if self.chance.random() < self.conditions.training:
            seen = frozenset(images)
            self.imaged.append(Imaged(study, day, Decimal(0), True, seen, frozenset(), seen))
            return
        codes = [(FIRST, images[0]), *((NEXT, image) for image in images[1:]), (COVER, images[0])]
        for number, (code, image) in enumerate(codes, start=1):
            self._post(
                Expected(f"charge:{study}:{number}", study, patient, day, code, 1, PRICE[code],
                         images=(image,))
            )  # fmt: skip
        charged = set(images)
        if views > 2 and self.chance.random() < self.conditions.revised:
            # A later look rejects the last view: its charge is credited.
            charge = next(one for one in self.expected if one.key == f"charge:{study}:{views}")
            credit = charge._replace(
                key=f"charge:{study}:{len(codes) + 1}", amount=-charge.amount, reverses=charge.key,
                state=Posted.WAITING, words=None,
            )  # fmt: skip
            charged.discard(images[-1])
            if self._is_held(charge.key):
                self._hold(credit._replace(state=Posted.ACCEPTED))
            else:
                # The record does not hold the charge, so it knows nothing to credit.
                self.expected.append(credit._replace(state=Posted.REJECTED, words="no such line"))
                self.truth.class_of |= dict.fromkeys((charge.key, credit.key), Class.MATCHED)
        total = PRICE[FIRST] + PRICE[NEXT] * (len(charged) - 1) + PRICE[COVER]
        seen = frozenset(images) | repeats
        self.imaged.append(
            Imaged(study, day, total, True, seen, frozenset(charged), seen - frozenset(charged))
        )

    def _patient(self, day: date, study: str) -> str:
        """A new patient, or one that comes again some days after."""
        recent = [patient for before, patient in self.visits if 1 <= (day - before).days <= 3]
        if recent and self.chance.random() < self.conditions.comes_again:
            return self.chance.choice(recent)
        self.visits.append((day, f"P-{study[5:]}"))
        return self.visits[-1][1]

    def _is_held(self, key: str) -> bool:
        return key in self.truth.line_of

    def _post(self, entry: Expected) -> None:
        """Bring an entry to the record, which may do one thing wrong with it."""
        c = self.conditions
        fates = {
            "lost": c.lost, "doubled": c.doubled, "late": c.late, "amount": c.amount_edited,
            "code": c.code_edited, "rejected": c.rejected, "patient": c.other_patient,
            "waiting": c.waiting,
        }  # fmt: skip
        fate = self.chance.choices([*fates, "well"], [*fates.values(), 1.0 - sum(fates.values())])[
            0
        ]
        if fate in {"lost", "rejected", "waiting"}:
            state = {"lost": Posted.ACCEPTED, "rejected": Posted.REJECTED}.get(fate, Posted.WAITING)
            words = "account closed (invented)" if fate == "rejected" else None
            self.expected.append(entry._replace(state=state, words=words))
            self.truth.class_of[entry.key] = Class.MISSING if fate != "waiting" else Class.LATE
            return
        line = self._hold(entry._replace(state=Posted.ACCEPTED))
        place = len(self.held) - 1
        if fate == "doubled":
            again = line._replace(line_id=self._line_id())
            self.held.append(again)
            self.truth.class_of[again.line_id] = Class.DOUBLED
        elif fate == "late":
            self.held[place] = line._replace(entered_on=line.day + timedelta(days=9))
            self.truth.class_of[entry.key] = Class.LATE
        elif fate == "amount":
            change = self.chance.choice((Decimal("-5.00"), Decimal("10.00"), Decimal("0.01")))
            self.held[place] = line._replace(amount=line.amount + change, edited=True)
            self.truth.class_of[entry.key] = Class.AMOUNT_CHANGED
        elif fate == "code":
            self.held[place] = line._replace(code=BY_HAND_ONLY, edited=True)
            self.truth.class_of[entry.key] = Class.CODE_CHANGED
        elif fate == "patient":
            self.held[place] = line._replace(patient=self._somebody_else(entry), edited=True)
            self.truth.class_of[entry.key] = Class.OTHER_PATIENT

    def _hold(self, entry: Expected) -> Held:
        self.expected.append(entry)
        line = Held(
            self._line_id(), entry.key, entry.patient, entry.day, entry.code, entry.quantity,
            entry.amount, "gomphosis", entry.day,
        )  # fmt: skip
        self.held.append(line)
        self.truth.class_of[entry.key] = Class.MATCHED
        self.truth.line_of[entry.key] = line.line_id
        return line

    def _line_id(self) -> str:
        self.lines += 1
        return f"{self.site}-{self.lines:07d}"

    def _somebody_else(self, entry: Expected) -> str:
        if self.chance.random() < 0.5 and len(self.imaged) > 1:
            return f"P-{self.chance.choice(self.imaged).study[5:]}x"
        return f"P-other-{entry.study[5:]}"

    def _staff(self) -> None:
        """Let people enter by hand what is not there, what is there already, and what never was."""
        held_whole = self._codes_wholly_held()
        for entry in list(self.expected):
            if entry.reverses is not None or self.truth.class_of[entry.key] is Class.MATCHED:
                if (
                    entry.reverses is None
                    and (entry.patient, entry.code) in held_whole
                    and self.chance.random() < self.conditions.doubled_by_hand
                ):
                    self._double_by_hand(entry)
                continue
            if self._is_held(entry.key):
                continue
            if self.chance.random() < self.conditions.by_hand_instead:
                self._enter_instead(entry)
        for study in self.imaged:
            if self.chance.random() < self.conditions.unsupported_by_hand:
                self._enter_unsupported(study.day)

    def _codes_wholly_held(self) -> set[tuple[str, str]]:
        """Where a charge of a code is missing, a further line of that code stands for it."""
        broken = {
            (entry.patient, entry.code)
            for entry in self.expected
            if not self._is_held(entry.key)
            or entry.reverses is not None
            or self.truth.class_of[entry.key] is Class.OTHER_PATIENT
        }
        return {(one.patient, one.code) for one in self.expected} - broken

    def _by_hand(self, patient: str, day: date, code: str, amount: Decimal) -> Held:
        line = Held(self._line_id(), None, patient, day, code, 1, amount, "desk-1", day)
        self.held.append(line)
        self.truth.hand.add(line.line_id)
        return line

    def _double_by_hand(self, entry: Expected) -> None:
        line = self._by_hand(entry.patient, self._day(entry.day), entry.code, entry.amount)
        if self.chance.random() < self.conditions.taken_off_by_hand:
            off = self._by_hand(line.patient, line.day, line.code, -line.amount)
            self.truth.class_of |= dict.fromkeys((line.line_id, off.line_id), Class.MATCHED)
        else:
            self.truth.class_of[line.line_id] = Class.DOUBLED

    def _enter_instead(self, entry: Expected) -> None:
        c, chance = self.conditions, self.chance
        if chance.random() < c.hand_other_patient:
            # At the patient of the work it is missing, at the other one nothing supports it.
            line = self._by_hand(f"P-wrong-{entry.study[5:]}", entry.day, entry.code, entry.amount)
            self.truth.class_of[line.line_id] = Class.UNSUPPORTED
            self.truth.moved[line.line_id] = entry.key
            return
        code = BY_HAND_ONLY if chance.random() < c.hand_code_of_family else entry.code
        amount, quantity = entry.amount, 1
        if chance.random() < c.hand_amount_slip:
            amount += chance.choice((Decimal("1.00"), Decimal("-1.00"), Decimal("0.50")))
        elif chance.random() < c.hand_quantity_slip:
            quantity = 2
            amount *= 2
        line = self._by_hand(entry.patient, self._day(entry.day), code, amount)
        self.held[-1] = line._replace(quantity=quantity)
        if code != entry.code:
            kind = Class.CODE_CHANGED
        else:
            kind = Class.MATCHED if amount == entry.amount else Class.AMOUNT_CHANGED
        self.truth.class_of[entry.key] = kind
        self.truth.line_of[entry.key] = line.line_id

    def _enter_unsupported(self, day: date) -> None:
        code = self.chance.choice((FIRST, NEXT, BY_HAND_ONLY, "INV-EXAM"))
        amount = PRICE.get(code, Decimal("25.00"))
        line = self._by_hand(f"P-none-{self.lines}", self._day(day), code, amount)
        self.truth.class_of[line.line_id] = Class.UNSUPPORTED

    def _day(self, day: date) -> date:
        if self.chance.random() >= self.conditions.hand_day_off:
            return day
        return day + timedelta(days=self.chance.choice((1, 1, 1, -1, 2)))
