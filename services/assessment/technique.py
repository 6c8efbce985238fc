"""An exposure's settings against the site's technique chart, its size rule, and its sensor."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from schemas.conclusions import Concern, TechniqueFinding
from schemas.facts import ExposureEnded, ImageStored, Patient
from schemas.group import Sensor
from schemas.plans import View
from schemas.techniques import SizeRule, TechniqueChart, TechniqueSetting
from schemas.teeth import as_permanent


@dataclass(frozen=True, slots=True)
class Told:
    """An exposure as its generator told it, with its fact's key."""

    key: str
    exposure: ExposureEnded


@dataclass(frozen=True, slots=True)
class TechniqueCase:
    """One exposure of a study and what it is held against.

    ``before`` is the exposure before it on the same generator, whoever its patient was. ``image``
    is that of an accepted link, with ``view`` and ``sensor`` where they are known.
    """

    told: Told
    before: Told | None = None
    image: ImageStored | None = None
    image_key: str | None = None
    view: View | None = None
    sensor: Sensor | None = None
    preset_teeth: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Animal:
    """What the size rule looks at, with the fact that told it."""

    patient: Patient
    fact_key: str


def technique_findings(
    cases: Sequence[TechniqueCase], chart: TechniqueChart | None, animal: Animal | None
) -> tuple[TechniqueFinding, ...]:
    """Give every finding, by exposure and code. Without a chart no setting is compared."""
    found = [finding for case in cases for finding in _findings(case, chart, animal)]
    return tuple(sorted(found, key=lambda finding: (finding.exposure_key, finding.code)))


def _findings(
    case: TechniqueCase, chart: TechniqueChart | None, animal: Animal | None
) -> Iterator[TechniqueFinding]:
    yield from _size(case, chart.size_rule if chart is not None else SizeRule(), animal)
    yield from _teeth(case, chart)
    yield from _receptor(case)
    if chart is not None:
        yield from _settings(case, chart)


def _size(case: TechniqueCase, rule: SizeRule, animal: Animal | None) -> Iterator[TechniqueFinding]:
    told = case.told.exposure.animal_size
    if told is None or animal is None:
        return
    weight = animal.patient.weight
    expected = rule.size_of(animal.patient.species, weight.kg if weight is not None else None)
    if expected is None or expected is told:
        return
    weighs = f" of {weight.kg:.1f} kg" if weight is not None else ""
    always = animal.patient.species in rule.always_small
    why = "small at any weight" if always else f"small below {rule.small_under_kg:.1f} kg"
    yield _finding(
        case,
        "size-against-weight",
        Concern.CHECK,
        f"The generator was set for a {told} animal; a {animal.patient.species}{weighs} wants the "
        f"{expected} setting by the site's rule ({why}; {rule.basis}).",
        "size-rule",
        (animal.fact_key,),
    )


def _teeth(case: TechniqueCase, chart: TechniqueChart | None) -> Iterator[TechniqueFinding]:
    preset = chart.preset(case.told.exposure.preset) if chart is not None else None
    meant = frozenset(preset.teeth) if preset is not None else case.preset_teeth
    shown = shown_teeth(case.image, case.view)
    if not meant or not shown or meant & {as_permanent(tooth) for tooth in shown}:
        return
    teeth = ", ".join(str(tooth) for tooth in sorted(shown))
    yield _finding(
        case,
        "preset-of-other-teeth",
        Concern.NOTE,
        f"Preset {case.told.exposure.preset} is for other teeth than the image shows ({teeth}).",
        "preset-group",
        _image_facts(case),
    )


def shown_teeth(image: ImageStored | None, view: View | None) -> frozenset[int]:
    """The teeth that an image names, else those of its view."""
    if image is not None and image.teeth:
        return frozenset(image.teeth)
    return frozenset(view.teeth) if image is not None and view is not None else frozenset()


def _receptor(case: TechniqueCase) -> Iterator[TechniqueFinding]:
    told, sensor = case.told.exposure, case.sensor
    seen = case.image.sensor if case.image is not None else None
    if told.sensor is not None and seen is not None and told.sensor != seen:
        yield _finding(
            case,
            "sensor-differs",
            Concern.NOTE,
            f"The exposure was told for {told.sensor}, the image came from {seen}.",
            "sensor-of-image",
            _image_facts(case),
        )
    if sensor is None or case.image is None:
        return
    if None not in {told.receptor, sensor.receptor} and told.receptor is not sensor.receptor:
        yield _finding(
            case,
            "receptor-differs",
            Concern.CHECK,
            f"The generator was set for a {_plain(told.receptor)}, the image came from "
            f"{sensor.name}, a {_plain(sensor.receptor)}.",
            "receptor-of-sensor",
            _image_facts(case),
        )
    view = case.view
    if view is not None and sensor.receptor_size not in {None, view.receptor_size}:
        yield _finding(
            case,
            "receptor-size-differs",
            Concern.NOTE,
            f"The plan has size {view.receptor_size} for this view, {sensor.name} is of size "
            f"{sensor.receptor_size}.",
            "receptor-size-of-plan",
            _image_facts(case),
        )


def _settings(case: TechniqueCase, chart: TechniqueChart) -> Iterator[TechniqueFinding]:
    told = case.told.exposure
    if told.preset is None:
        return
    preset = chart.preset(told.preset)
    if preset is None:
        yield _finding(
            case,
            "preset-not-in-chart",
            Concern.NOTE,
            f"Preset {told.preset} is not in the chart '{chart.name}'.",
            "technique-chart",
        )
        return
    if told.receptor is None or told.animal_size is None:
        return
    setting = preset.setting(told.receptor, told.animal_size)
    if setting is None:
        yield _finding(
            case,
            "setting-not-in-chart",
            Concern.NOTE,
            f"The chart has no setting of preset {told.preset} for a {_plain(told.receptor)} and "
            f"a {told.animal_size} animal.",
            "technique-chart",
        )
        return
    yield from _against(case, setting, chart)


def _against(
    case: TechniqueCase, setting: TechniqueSetting, chart: TechniqueChart
) -> Iterator[TechniqueFinding]:
    told = case.told.exposure
    deviations = _deviations(told, setting, chart.tolerance)
    if not deviations:
        return
    differs = f"{'; '.join(deviations)} (preset {told.preset}, chart '{chart.name}')"
    before = case.before
    after_manual = before is not None and before.exposure.manual_setting
    if told.manual_setting and not (before and after_manual and _same(before.exposure, told)):
        yield _finding(
            case, "manual-setting", Concern.NOTE, f"Set by hand: {differs}.", "technique-chart"
        )
    elif before is not None and after_manual:
        again = "set by hand alike again" if told.manual_setting else "not back at its preset"
        yield _finding(
            case,
            "not-back-at-preset",
            Concern.CHECK,
            f"The exposure before was set by hand, and this one is {again}: {differs}. "
            "A change by hand is for one exposure (common practice, no published source).",
            "manual-change-holds-once",
            (before.key,),
        )
    else:
        yield _finding(
            case,
            "off-preset",
            Concern.CHECK,
            f"Differs from the chart, and no change by hand was told: {differs}.",
            "technique-chart",
        )


def _deviations(told: ExposureEnded, setting: TechniqueSetting, tolerance: float) -> list[str]:
    """Say what differs by more than the tolerance. The set time counts, not the delivered one."""
    pairs = (
        (told.tube_kv, setting.tube_kv, "kV"),
        (told.tube_current_ma, setting.tube_current_ma, "mA"),
        (told.set_exposure_ms, setting.exposure_ms, "ms"),
    )
    return [
        f"{value:g} {unit} instead of {expected:g} {unit} ({value / expected - 1:+.0%})"
        for value, expected, unit in pairs
        if abs(value / expected - 1) > tolerance
    ]


def _same(one: ExposureEnded, other: ExposureEnded) -> bool:
    return (one.preset, one.tube_kv, one.tube_current_ma, one.set_exposure_ms) == (
        other.preset,
        other.tube_kv,
        other.tube_current_ma,
        other.set_exposure_ms,
    )


def _image_facts(case: TechniqueCase) -> tuple[str, ...]:
    return (case.image_key,) if case.image_key is not None else ()


def _plain(receptor: object) -> str:
    return str(receptor).replace("_", " ")


def _finding(
    case: TechniqueCase,
    code: str,
    concern: Concern,
    words: str,
    rule: str,
    also: tuple[str, ...] = (),
) -> TechniqueFinding:
    return TechniqueFinding(
        code=code,
        exposure_key=case.told.key,
        concern=concern,
        words=words[:2000],
        rule=rule,
        facts=tuple(sorted({case.told.key, *also})),
    )
