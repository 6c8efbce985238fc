"""The patient record's own codes and words, and what they mean here. Data that a group owns.

A code that is not listed is never guessed at: the order waits for a person. A code that is
listed as not ours (a horse, a thorax study) is heard and left alone.
"""

from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Name
from schemas.errors import InvalidInput
from schemas.facts.order import Sex, WeightUnit
from schemas.group import DeviceKind, Group
from schemas.rule_files import read_rules
from schemas.teeth import Species

FILE_NAME = "record_codes.yaml"

Word = Annotated[str, Field(min_length=1, max_length=128, pattern=r"^\S(.*\S)?$")]
"""A code or word as the record sends it, without space at either end."""


class Sender(Contract):
    """One sending application of HL7 v2 (MSH-3.1, and MSH-4.1 where given), and who it is here."""

    application: Word
    facility: Word | None = None
    site: Name
    device: Name

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"application": "RECORD", "facility": "NORTH", "site": "north", "device": "record-north"},
    )


class SexMeaning(Contract):
    """What one word for sex tells. Both may be unknown."""

    sex: Sex | None = None
    neutered: bool | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"sex": "male", "neutered": True},)


class RecordCodes(Contract):
    """All that has to be translated between a record and us.

    Words of species, sex and unit are compared without regard to case; codes of orders, rooms
    and weights exactly, and in FHIR also as
    ``system|code``. ``identifier_authorities`` are the assigning authorities (PID-3.4.1) and
    identifier systems (FHIR) that count where a patient carries several identifiers, and
    ``order_identifier_systems`` the same for orders in FHIR. ``room_when_none_told`` and
    ``start_when_none_told`` are a site's own rules for orders that name no room or no time;
    without them such an order is refused.
    """

    senders: tuple[Sender, ...] = ()
    orders: dict[Word, Name]
    orders_not_ours: tuple[Word, ...] = ()
    species: dict[Word, Species]
    species_not_ours: tuple[Word, ...] = ()
    sexes: dict[Word, SexMeaning]
    neutered: dict[Word, bool | None] = Field(default_factory=dict)
    rooms: dict[Word, Name]
    room_when_none_told: Name | None = None
    start_when_none_told: Literal["refuse", "when_ordered"] = "refuse"
    weight_codes: tuple[Word, ...] = ()
    weight_units: dict[Word, WeightUnit] = Field(default_factory=dict)
    identifier_authorities: tuple[Word, ...] = ()
    order_identifier_systems: tuple[Word, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "senders": [Sender.EXAMPLES[0]],
            "orders": {"DENT-FULL-DOG": "dog-full-mouth"},
            "orders_not_ours": ["THORAX-2"],
            "species": {"CANINE": "dog", "448169003": "cat"},
            "species_not_ours": ["EQUINE"],
            "sexes": {"MN": SexMeaning.EXAMPLES[0], "U": {}},
            "neutered": {"neutered": True, "intact": False},
            "rooms": {"DENTAL": "dental-1"},
            "weight_codes": ["29463-7"],
            "weight_units": {"kg": "kg", "[lb_av]": "lb"},
        },
    )

    @model_validator(mode="after")
    def _each_word_once(self) -> Self:
        for field in ("species", "sexes", "neutered", "weight_units"):
            words = [word.casefold() for word in getattr(self, field)]
            if len(words) != len(set(words)):
                raise ValueError(f"expected each word of {field} once, whatever its case")
        for field, others in (("orders", "orders_not_ours"), ("species", "species_not_ours")):
            both = _folded(getattr(self, field)) & _folded(getattr(self, others))
            if both:
                raise ValueError(f"expected {min(both)} in {field} or in {others}, not in both")
        return self

    def sender(self, application: str, facility: str) -> Sender | None:
        """Find the sender of an HL7 v2 message; one listed with its facility comes first."""
        named = [one for one in self.senders if one.application == application]
        exact = [one for one in named if one.facility == facility]
        anywhere = [one for one in named if one.facility is None]
        return next(iter(exact + anywhere), None)


def _folded(words: Iterable[str]) -> set[str]:
    return {word.casefold() for word in words}


def load_record_codes(folder: Path) -> RecordCodes:
    """Read ``record_codes.yaml`` of the group's folder, or the packaged invented example.

    Raises InvalidInput, naming the field, where the file breaks the contract.
    """
    own = folder / FILE_NAME
    if own.is_file():
        return read_rules(RecordCodes, own)
    return read_rules(RecordCodes, files("schemas.mappings") / "record_codes_invented.yaml")


def check_record_codes(codes: RecordCodes, group: Group, plans: Iterable[str]) -> None:
    """Check the codes against the group and its plans (InvalidInput names the field)."""
    known_plans = sorted(plans)
    for code, plan in codes.orders.items():
        if plan not in known_plans:
            expected = f"one of the plans {', '.join(known_plans)}"
            raise InvalidInput(f"{FILE_NAME}: orders.{code}", plan, expected)
    rooms = {room for site in group.sites for room in site.rooms}
    told = dict(codes.rooms)
    if codes.room_when_none_told is not None:
        told["room_when_none_told"] = codes.room_when_none_told
    for word, room in told.items():
        if room not in rooms:
            expected = f"a room of one of the sites: {', '.join(sorted(rooms))}"
            raise InvalidInput(f"{FILE_NAME}: rooms.{word}", room, expected)
    for place, sender in enumerate(codes.senders):
        device = group.site(sender.site).device(sender.device)
        if device is None or device.kind is not DeviceKind.RECORD:
            expected = f"the name of a device of kind record at {sender.site}"
            raise InvalidInput(f"{FILE_NAME}: senders.{place}.device", sender.device, expected)
