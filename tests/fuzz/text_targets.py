"""Parsers of text: messages, lines of devices, and the group's own YAML files."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import yaml

from schemas.group import Device, DeviceKind, load_group
from schemas.mappings import DeviceMapping, load_mapping
from schemas.mappings.record_codes import load_record_codes
from schemas.messages import KINDS, parse
from services.intake.device_lines import Told, read_line
from tests.device_text import HEADER, clock_line, exposure_line
from tests.fuzz.mutation import Mutator
from tests.fuzz.shape import ShapeMutator
from tests.fuzz.target import TAKEN, Broken, Ready, Target
from tests.messages import NOON, message
from tests.record_inputs.codes import CODES

_JSON_TOKENS = (b"[" * 300, b'{"x":' * 200, b"1e999", b"NaN", b"\\ud800", b"\\u0000", b",,")
_YAML_TOKENS = (
    b"&a ",
    b"*a",
    b"<<: *a",
    b"!!python/object/apply:os.system ['true']",
    b"!!binary |\n  AAAA",
    b"!!set {a, b}",
    b"!!timestamp 2026-03-02",
    b"? [a, b]\n: c",
    b"---\n",
    b"%YAML 9.9\n",
    b"\t",
    b"[" * 400,
    b"{" * 400,
    b"- " * 400,
    b"&a [*a]",
    b"yes",
    b"0o17",
    b"1:30:00",
    b".inf",
    b"2026-02-30",
)
_BOMB = b"a: &a [x,x,x,x,x,x,x,x,x]\n" + b"".join(
    f"{chr(98 + n)}: &{chr(98 + n)} [{','.join([f'*{chr(97 + n)}'] * 9)}]\n".encode()
    for n in range(8)
)


def _message(_folder: Path) -> Ready:
    bodies: list[Any] = []
    for kind in KINDS.values():
        for example in kind.EXAMPLES:
            payload = kind.model_validate_json(json.dumps(example))
            bodies.append(json.loads(message(payload, occurred_at=NOON).encode()))
    mutate = ShapeMutator(bodies, tokens=_JSON_TOKENS)

    def feed(body: bytes) -> str:
        read = parse(body)
        if parse(read.encode()) != read:
            raise Broken("a message read again from what it was written as differs")
        if not read.natural_key.isprintable() and "\x00" in read.natural_key:
            raise Broken(f"a natural key holds NUL: {read.natural_key!r}")
        return TAKEN

    return Ready(mutate.written, mutate, feed)


_GENERATOR = Device(
    name="generator-1", kind=DeviceKind.GENERATOR, room="dental-1", serial="INVENTED-0001"
)


def _line(mapping: DeviceMapping, columns: tuple[str, ...] | None) -> Callable[[bytes], str]:
    def feed(line: bytes) -> str:
        read = read_line(mapping, line, columns, _GENERATOR, first=len(line) % 2 == 0)
        if isinstance(read, Told):
            told = message(
                read.payload, occurred_at=read.occurred_at, source_clock=read.source_clock
            )
            parse(told.encode())
        return TAKEN

    return feed


def _delimited(_folder: Path) -> Ready:
    lines = [HEADER, exposure_line(), exposure_line(run_s="0,061", end="REL"), clock_line(), "#"]
    seeds = [line.encode() for line in lines]
    tokens = (b";", b'"', b";;;;", b"REL", b"29.03.2026", b"02:30:00", b"25.10.2026", b"31.02.2026")
    return Ready(seeds, Mutator(seeds, tokens), _line(load_mapping(), tuple(HEADER.split(";"))))


def _json_lines(_folder: Path) -> Ready:
    told = json.loads(load_mapping().model_dump_json())
    told["format"] = {"kind": "json_lines"}
    mapping = DeviceMapping.model_validate_json(json.dumps(told))
    columns = HEADER.split(";")
    seeds = [
        dict(zip(columns, line.replace(",", ".").split(";"), strict=True))
        for line in (exposure_line(), exposure_line(run_s="0,061", end="REL"), clock_line())
    ]
    mutate = ShapeMutator(seeds, lambda _, value: json.dumps(value), _JSON_TOKENS)
    return Ready(mutate.written, mutate, _line(mapping, None))


def _as_yaml(rng: random.Random, value: Any) -> str:
    if rng.random() < 0.5:
        return json.dumps(value)  # nearly all JSON is YAML
    told: str = yaml.dump(value, Dumper=yaml.CSafeDumper, allow_unicode=rng.random() < 0.5)
    return told


def _file(seed: Any, name: str, read: Callable[[Path], object]) -> Callable[[Path], Ready]:
    def prepare(folder: Path) -> Ready:
        path = folder / name
        mutate = ShapeMutator([seed], _as_yaml, _YAML_TOKENS)

        def feed(body: bytes) -> str:
            path.write_bytes(body)
            read(path)
            return TAKEN

        return Ready([*mutate.written, _BOMB], mutate, feed)

    return prepare


_SMALL_GROUP: dict[str, Any] = {
    "name": "invented",
    "title": "Invented",
    "sites": [
        {
            "name": "north",
            "title": "North",
            "time_zone": "Europe/Vienna",
            "called_ae_title": "GOMPHOSIS",
            "rooms": ["dental-1"],
            "tariff": "invented",
            "devices": [
                {
                    "name": "station-1",
                    "kind": "station",
                    "room": "dental-1",
                    "ae_title": "STATION1",
                    "addresses": ["127.0.0.0/8"],
                }
            ],
            "people": [{"name": "vet-1", "title": "Vet", "roles": ["vet"]}],
        }
    ],
}
_SMALL_MAPPING: dict[str, Any] = {
    "name": "invented",
    "basis": "invented",
    "note": "Invented",
    "encoding": "utf-8",
    "format": {"kind": "delimited", "delimiter": ";", "header": True},
    "records": [
        {
            "fact": "exposure_ended",
            "time": {"columns": ["T"], "formats": ["%Y-%m-%d %H:%M:%S"], "zone": "UTC"},
            "fields": [
                {"column": name, "field": name, "unit": unit}
                for name, unit in (
                    ("tube_kv", "kV"),
                    ("tube_current_ma", "mA"),
                    ("set_exposure_ms", "ms"),
                    ("exposure_ms", "ms"),
                )
            ],
        }
    ],
}

TARGETS = (
    Target("message", _message),
    Target("device-line", _delimited),
    Target("device-json-line", _json_lines),
    Target("mapping-file", _file(_SMALL_MAPPING, "mapping.yaml", load_mapping)),
    Target(
        "record-codes-file",
        _file(CODES, "record_codes.yaml", lambda path: load_record_codes(path.parent)),
    ),
    Target("group-file", _file(_SMALL_GROUP, "group.yaml", lambda path: load_group(path.parent))),
)
