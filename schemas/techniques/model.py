"""The shape of a technique chart."""

from collections.abc import Iterable
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from schemas.base import Contract, Fraction, Name, Positive, Text, Tooth
from schemas.facts import AnimalSize, Receptor
from schemas.facts.order import KG_PER_LB
from schemas.teeth import Species, as_permanent, quadrant

SMALL_UNDER_KG = 30 * KG_PER_LB
"""30 lb = 13.608 kg: common practice, no published source."""


class SizeRule(Contract):
    """Which animals the small setting is for. The default is common practice only.

    An animal of ``always_small`` is small at any weight; any other is where it weighs less than
    ``small_under_kg``.
    """

    always_small: tuple[Species, ...] = (Species.CAT,)
    small_under_kg: Positive = SMALL_UNDER_KG
    basis: Text = "common practice, no published source (30 lb)"

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"always_small": ["cat"], "small_under_kg": 13.608, "basis": "common practice"},
    )

    def size_of(self, species: Species, weight_kg: float | None) -> AnimalSize | None:
        """Tell the setting for an animal; None where its weight is needed and not known."""
        if species in self.always_small:
            return AnimalSize.SMALL
        if weight_kg is None:
            return None
        return AnimalSize.SMALL if weight_kg < self.small_under_kg else AnimalSize.LARGE


class TechniqueSetting(Contract):
    """What a preset sets for one receptor and animal size."""

    receptor: Receptor
    animal_size: AnimalSize
    tube_kv: Positive
    tube_current_ma: Positive
    exposure_ms: Positive

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "receptor": "direct_sensor",
            "animal_size": "small",
            "tube_kv": 65.0,
            "tube_current_ma": 7.0,
            "exposure_ms": 100.0,
        },
    )


class PresetTechnique(Contract):
    """One preset: the site's own group of teeth, and its settings."""

    name: Name
    teeth: Annotated[tuple[Tooth, ...], Field(min_length=1, max_length=110)]
    settings: Annotated[tuple[TechniqueSetting, ...], Field(min_length=1, max_length=12)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "name": "side-lower",
            "teeth": [307, 308, 309, 407, 408, 409],
            "settings": [TechniqueSetting.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _holds_each_thing_once(self) -> Self:
        for tooth in self.teeth:
            quadrant(tooth)
        if len(set(self.teeth)) != len(self.teeth):
            raise ValueError(f"preset {self.name}: expected each tooth once")
        pairs = [(setting.receptor, setting.animal_size) for setting in self.settings]
        if len(set(pairs)) != len(pairs):
            raise ValueError(f"preset {self.name}: expected each receptor and size once")
        return self

    def setting(self, receptor: Receptor, size: AnimalSize) -> TechniqueSetting | None:
        """What the preset sets for a receptor and a size, or None."""
        return next(
            (s for s in self.settings if (s.receptor, s.animal_size) == (receptor, size)), None
        )


class TechniqueChart(Contract):
    """A site's chart. ``tolerance`` is the share by which a setting may differ unremarked."""

    code: Name
    name: Text
    basis: Literal["invented", "site"]
    """``invented``: shows the form, never for use; ``site``: set and answered for by the site."""
    note: Text
    tolerance: Fraction = 0.02
    size_rule: SizeRule = SizeRule()
    presets: Annotated[tuple[PresetTechnique, ...], Field(min_length=1, max_length=100)]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "code": "invented-chart",
            "name": "An invented chart",
            "basis": "invented",
            "note": "Shows the form; no setting here is for use.",
            "presets": [PresetTechnique.EXAMPLES[0]],
        },
    )

    @model_validator(mode="after")
    def _presets_have_names_of_their_own(self) -> Self:
        names = [preset.name for preset in self.presets]
        if len(set(names)) != len(names):
            raise ValueError("expected each preset name once")
        return self

    def preset(self, name: str | None) -> PresetTechnique | None:
        """The preset of a name, or None."""
        return next((preset for preset in self.presets if preset.name == name), None)

    def setting_for(
        self, teeth: Iterable[Tooth], receptor: Receptor, size: AnimalSize
    ) -> tuple[PresetTechnique, TechniqueSetting] | None:
        """The preset that covers most of a view's teeth, and what it sets; None without one.

        At a tie the one with most mAs, so that an expected dose is rather too high than too low.
        """
        places = {as_permanent(tooth) for tooth in teeth}
        found = [
            (len(covered), s.tube_current_ma * s.exposure_ms, preset.name, preset, s)
            for preset in self.presets
            if (covered := places & set(preset.teeth))
            and (s := preset.setting(receptor, size)) is not None
        ]
        return max(found, key=lambda one: one[:3])[3:] if found else None
