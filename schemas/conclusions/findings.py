"""What assessment finds in technique, images and repeats: hints for people, no diagnosis."""

from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, NotNegative, Text, Uid
from schemas.conclusions.basis import FactKey


class Concern(StrEnum):
    """``NOTE`` is for the record; ``CHECK`` wants a person's look before the next exposure."""

    NOTE = "note"
    CHECK = "check"


class TechniqueFinding(Contract):
    """One exposure's settings against the site's technique chart and rules."""

    code: Name
    exposure_key: FactKey
    concern: Concern
    words: Text
    rule: Name
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "not-back-at-preset",
            "exposure_key": "exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00",
            "concern": "check",
            "words": "The exposure before was set by hand, and this one is not back at its preset.",
            "rule": "manual-change-holds-once",
            "facts": ["exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00"],
        },
    )


class QualityHint(Contract):
    """Something about one image that a person may want to look at. It decides nothing."""

    code: Name
    sop_instance_uid: Uid
    concern: Concern
    words: Text
    deviation_index: Annotated[float, Field(allow_inf_nan=False)] | None = None
    rule: Name
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "deviation-over",
            "sop_instance_uid": "2.25.1003",
            "concern": "note",
            "words": "Deviation index +1.8: more exposure than its own target.",
            "deviation_index": 1.8,
            "rule": "deviation-index-bands",
            "facts": ["image:2.25.1003:0000000000000000"],
        },
    )


class RepeatKind(StrEnum):
    """Why there is a second exposure of one view."""

    REJECTED_THEN_RETAKEN = "rejected_then_retaken"
    RETAKEN_WITHIN_SECONDS = "retaken_within_seconds"
    SAME_VIEW_TWICE = "same_view_twice"
    AFTER_EARLY_END = "after_early_end"


class RepeatFound(Contract):
    """One image that repeats an earlier image or an exposure that ended early.

    ``first`` is the image repeated; after an early end there was none.
    """

    kind: RepeatKind
    view: Name | None
    first: Uid | None
    again: Uid
    seconds_between: NotNegative
    words: Text
    rule: Name
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "kind": "rejected_then_retaken",
            "view": "mand-molars-l",
            "first": "2.25.1003",
            "again": "2.25.1004",
            "seconds_between": 74.0,
            "words": "Retaken after the first image was rejected (reason 111209).",
            "rule": "repeat-after-reject",
            "facts": ["image:2.25.1003:0000000000000000", "image:2.25.1004:0000000000000000"],
        },
    )
