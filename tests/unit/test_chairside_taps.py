"""Which decisions count for a study, and the fact that a tap at the board becomes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import pytest

from schemas.errors import InvalidInput
from schemas.facts import (
    FactWithdrawn,
    ImageAssigned,
    ImageRejected,
    LinkDecided,
    ReadinessChecked,
    ToothAbsent,
    ViewExcused,
)
from services.console.chairside.decisions import decision_of, settled_keys, standing, words_of
from services.console.chairside.tells import EXCUSES, fact_of, moment_of
from tests.assessed import START, STUDY, assessed, image

AT = "2026-03-02T09:40:00+00:00"


def test_the_last_decision_is_found_among_the_facts_with_its_words() -> None:
    facts = (
        "image:2.25.2001:0000000000000000",
        f"readiness:{STUDY}:2026-03-02T09:20:00+00:00",
        "rejected:2.25.2001:111209:2026-03-02T09:30:00.123456+00:00",
        "linked:2.25.2001:exposure:INVENTED-0001:1:2026-03-02T09:20:00+00:00:"
        "2026-03-02T09:25:00+00:00",
        "rejected:2.25.9:111209:2026-03-02T09:50:00+00:00",
        f"withdrawn:excused:{STUDY}:view-1:2026-03-02T09:28:00+00:00",
        "order:1001:1",
    )
    study = assessed(1, [image(1)], facts=facts)

    found = standing(study)

    assert [one.kind for one in found] == ["readiness", "linked", "rejected"]
    assert found[1].what == "exposure:INVENTED-0001:1:2026-03-02T09:20:00+00:00"
    assert words_of(found[-1], study) == "Image rejected: Positioning"
    assert f"excused:{STUDY}:view-1:2026-03-02T09:28:00+00:00" in settled_keys(study)


@pytest.mark.parametrize(
    ("what", "fields", "fact"),
    [
        ("reject", {"image": "2.25.1", "reason": "111209"}, ImageRejected),
        ("assign", {"image": "2.25.1", "view": "view-1"}, ImageAssigned),
        ("excuse", {"view": "view-1", "reason": EXCUSES[0]}, ViewExcused),
        ("absent", {"tooth": "305"}, ToothAbsent),
        ("link", {"image": "2.25.1", "exposure": "exposure:INVENTED-0001:1"}, LinkDecided),
        ("link", {"image": "2.25.1", "exposure": ""}, LinkDecided),
        ("ready", {"plane": "yes", "people": "no", "cover": "yes"}, ReadinessChecked),
        ("take-back", {"key": f"rejected:2.25.1:111209:{AT}"}, FactWithdrawn),
    ],
)
def test_a_tap_becomes_its_fact(what: str, fields: Mapping[str, str], fact: type[Any]) -> None:
    told = fact_of(what, fields, STUDY, frozenset({"2.25.1"}), frozenset({"view-1"}))

    assert type(told) is fact
    assert told.natural_key(START) is not None


@pytest.mark.parametrize(
    ("what", "fields", "field"),
    [
        ("reject", {"image": "2.25.2", "reason": "111209"}, "image"),
        ("reject", {"image": "2.25.1", "reason": "999999"}, "reason"),
        ("assign", {"image": "2.25.1", "view": "view-9"}, "view"),
        ("excuse", {"view": "view-1", "reason": ""}, "reason"),
        ("absent", {"tooth": "x"}, "tooth"),
        ("ready", {"plane": "yes", "people": "perhaps", "cover": "yes"}, "people"),
        ("take-back", {"key": f"rejected:2.25.2:111209:{AT}"}, "key"),
        ("take-back", {"key": "image:2.25.1:0000000000000000"}, "key"),
        ("sign", {}, "what"),
    ],
)
def test_a_tap_that_makes_no_sense_names_its_field(
    what: str, fields: Mapping[str, str], field: str
) -> None:
    with pytest.raises(InvalidInput) as caught:
        fact_of(what, fields, STUDY, frozenset({"2.25.1"}), frozenset({"view-1"}))

    assert caught.value.field == field


def test_the_moment_of_a_tap_has_a_zone() -> None:
    assert moment_of("") is None
    assert moment_of("2026-03-02T09:40:00.123Z") == datetime(2026, 3, 2, 9, 40, 0, 123000, UTC)
    for told in ("2026-03-02T09:40:00", "soon"):
        with pytest.raises(InvalidInput, match="tapped_at"):
            moment_of(told)


def test_a_key_of_no_decision_is_none() -> None:
    assert decision_of("exposure:INVENTED-0001:1:2026-03-02T09:20:00+00:00") is None
    assert decision_of(f"readiness:{STUDY}:{AT}") is not None
