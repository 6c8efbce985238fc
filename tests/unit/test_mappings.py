"""Mapping files are checked to the last field, and their units are exact."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from schemas.errors import InvalidInput
from schemas.facts import ExposureEnded
from schemas.mappings import (
    ClockLine,
    Condition,
    DelimitedText,
    DeviceMapping,
    ExposureLine,
    FieldFrom,
    JsonLines,
    TimeReading,
    load_mapping,
)
from schemas.mappings.units import UNITS_OF, in_our_unit

MODELS: list[Any] = [
    ClockLine,
    Condition,
    DelimitedText,
    DeviceMapping,
    ExposureLine,
    FieldFrom,
    JsonLines,
    TimeReading,
]
EXAMPLE = Path(__file__).parents[2] / "schemas" / "mappings" / "invented_generator.yaml"


@pytest.mark.parametrize("model", MODELS)
def test_every_model_has_examples_that_it_takes_and_takes_no_stranger(
    model: type[BaseModel],
) -> None:
    examples: Any = getattr(model, "EXAMPLES", ())
    assert examples
    for example in examples:
        assert model.model_validate_json(json.dumps(example))
        with pytest.raises(ValidationError, match="Extra inputs"):
            model.model_validate_json(json.dumps({**example, "unheard_of": 1}))


def test_the_invented_example_is_marked_so_and_needs_what_its_comments_show() -> None:
    mapping = load_mapping()

    assert mapping.basis == "invented"
    assert mapping == load_mapping(EXAMPLE)
    header = next(line for line in EXAMPLE.read_text().splitlines() if "Event;Date;" in line)
    told = set(header.lstrip("# ").split(";"))
    assert mapping.needed_columns | set(mapping.unused_columns) == told


def written(tmp_path: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    told = copy.deepcopy(yaml.safe_load(EXAMPLE.read_text(encoding="utf-8")))
    change(told)
    path = tmp_path / "mapping.yaml"
    path.write_text(yaml.safe_dump(told), encoding="utf-8")
    return path


def field(told: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(
        one for one in told["records"][0]["fields"] if one["field"] == name
    )
    return found


@pytest.mark.parametrize(
    ("change", "place", "expected"),
    [
        (lambda m: m.update(encoding="utf-16"), "encoding", "'utf-8'"),
        (lambda m: m.update(colour="red"), "colour", "not permitted"),
        (lambda m: m["format"].update(delimiter="--"), "format", "pattern"),
        (lambda m: m["format"].update(delimiter=","), "format", "decimal_mark"),
        (lambda m: m["format"].update(header=False), "format", "by position"),
        (lambda m: m["format"].update(columns=["a"]), "format", "no header"),
        (
            lambda m: m["format"].update(header=False, columns=["Event", "Date"]),
            "file",
            "format.columns: expected",
        ),
        (lambda m: m.update(longest_line_bytes=10**9), "longest_line_bytes", "65536"),
        (lambda m: m["records"][0].pop("when"), "file", "each to say when"),
        (lambda m: m["records"][0]["time"].update(zone="Mars/Dome"), "zone", "+01:00"),
        (lambda m: m["records"][0]["time"].update(zone="+25:00"), "zone", "+01:00"),
        (lambda m: m["records"][0]["time"].update(formats=["%d.%m.%Y"]), "formats", "minute"),
        (lambda m: m["records"][0]["time"].update(formats=["%B %d %Y %H:%M"]), "formats", "%B"),
        (lambda m: m["records"][0]["time"].update(formats=["%c"]), "formats", "%c"),
        (lambda m: m["records"][0]["time"].update(when_twice="guess"), "when_twice", "'refuse'"),
        (lambda m: field(m, "tube_kv").update(unit="mA"), "fields", "one of kV, V for tube_kv"),
        (lambda m: field(m, "tube_kv").pop("unit"), "fields", "one of kV, V for tube_kv"),
        (lambda m: field(m, "preset").update(unit="ms"), "fields", "no quantity"),
        (lambda m: field(m, "preset").update(codes={"P1": "Bad Name"}), "fields", "codes.P1"),
        (lambda m: field(m, "animal_size").update(codes={"S": "tiny"}), "fields", "codes.S"),
        (lambda m: field(m, "animal_size").pop("codes"), "fields", "codes: expected"),
        (lambda m: field(m, "ended_early").update(codes={"OK": "no"}), "fields", "codes.OK"),
        (lambda m: field(m, "tube_kv").update(field="tube_kw"), "fields", "'tube_kw'"),
        (lambda m: field(m, "tube_kv").update(field="told_by"), "fields", "'told_by'"),
        (
            lambda m: m["records"][0]["fields"].remove(field(m, "exposure_ms")),
            "records",
            "constant for exposure_ms",
        ),
        (
            lambda m: m["records"][0]["constants"].update(tube_kv=70.0),
            "records",
            "each field once, got tube_kv twice",
        ),
        (lambda m: m["records"][0]["constants"].update(room=7), "records", "constants.room"),
        (lambda m: m["records"][0]["constants"].update(rooom="x"), "records", "constants.rooom"),
        (lambda m: m["records"][0].update(fact="image_stored"), "records", "image_stored"),
    ],
)  # fmt: skip
def test_a_wrong_mapping_is_refused_by_place_and_expectation(
    tmp_path: Path, change: Callable[[dict[str, Any]], None], place: str, expected: str
) -> None:
    with pytest.raises(InvalidInput) as refusal:
        load_mapping(written(tmp_path, change))

    assert place in refusal.value.field
    assert expected in str(refusal.value)
    assert "mapping.yaml" in refusal.value.field


def test_room_generator_and_serial_may_be_left_to_the_device(tmp_path: Path) -> None:
    def without_constants(mapping: dict[str, Any]) -> None:
        mapping["records"][0]["constants"] = {"receptor": "film"}

    assert load_mapping(written(tmp_path, without_constants))


# Units ---------------------------------------------------------------------------------------

IN_OURS = {
    ("tube_kv", "V"): "0.001",
    ("tube_current_ma", "µA"): "0.001",
    ("exposure_ms", "s"): "1000",
    ("exposure_ms", "µs"): "0.001",
    ("exposure_mas", "µA·s"): "0.001",
    ("exposure_mas", "mAs"): "1",
    ("reported_kerma_mgy", "µGy"): "0.001",
    ("reported_kerma_mgy", "Gy"): "1000",
    ("reported_kap_mgycm2", "cGy·cm²"): "10",
    ("reported_kap_mgycm2", "dGy·cm²"): "100",
    # 1 Gy·m² is 1000 mGy on 10 000 cm².
    ("reported_kap_mgycm2", "Gy·m²"): "10000000",
    ("source_to_skin_mm", "cm"): "10",
    ("source_to_skin_mm", "m"): "1000",
}


@pytest.mark.parametrize(("quantity", "size"), IN_OURS.items())
def test_one_of_a_unit_is_so_much_of_ours(quantity: tuple[str, str], size: str) -> None:
    assert in_our_unit(quantity[0], Decimal(1), quantity[1]) == Decimal(size)


@given(
    st.sampled_from([(name, unit) for name, units in UNITS_OF.items() for unit in units]),
    st.decimals(0, 10**12, allow_nan=False, places=9),
)
def test_a_unit_is_converted_and_inverted_exactly(
    quantity: tuple[str, str], as_told: Decimal
) -> None:
    name, unit = quantity

    ours = in_our_unit(name, as_told, unit)

    assert Fraction(ours) == Fraction(as_told) * Fraction(UNITS_OF[name][unit])
    assert Fraction(ours) / Fraction(UNITS_OF[name][unit]) == Fraction(as_told)


@pytest.mark.parametrize(
    ("unit", "same"), [("uA", "µA"), ("μA", "µA"), (" µA ", "µA")]  # the second is Greek
)  # fmt: skip
def test_a_unit_is_known_as_printed_and_in_ucum(unit: str, same: str) -> None:
    assert in_our_unit("tube_current_ma", Decimal(7000), unit) == 7
    assert in_our_unit("reported_kap_mgycm2", Decimal(1), "Gy.m2") == 10**7
    assert FieldFrom(column="I", field="tube_current_ma", unit=unit).unit == same


def test_a_unit_of_another_quantity_is_refused() -> None:
    with pytest.raises(InvalidInput, match="mGy"):
        in_our_unit("reported_kerma_mgy", Decimal(1), "mGy·cm²")
    with pytest.raises(InvalidInput, match="a quantity"):
        in_our_unit("preset", Decimal(1), "ms")


# Ended early ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("delivered_ms", "said", "early"),
    [
        (120.0, False, False),
        (117.6, False, False),  # 98 % of 120 ms exactly
        (117.5, False, True),
        (61.0, False, True),
        (0.0, False, True),
        (130.0, False, False),
        (120.0, True, True),
    ],
)
@pytest.mark.parametrize("as_json", [True, False])
def test_an_exposure_that_ran_clearly_shorter_than_set_ended_early(
    delivered_ms: float, said: bool, early: bool, as_json: bool
) -> None:
    told = ExposureEnded.EXAMPLES[0] | {"exposure_ms": delivered_ms}
    if said:
        told["ended_early"] = True
    if as_json:
        exposure = ExposureEnded.model_validate_json(json.dumps(told))
    else:
        plain = {k: v for k, v in told.items() if k not in {"receptor", "animal_size"}}
        exposure = ExposureEnded(**plain)

    assert exposure.ended_early is early
    assert exposure.exposure_ms == delivered_ms
