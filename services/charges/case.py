"""One study as a tariff sees it: its diagnostic views, the rule for each, the bundles that fit."""

from dataclasses import dataclass
from datetime import tzinfo

from schemas.conclusions import ImageResult, ImageUse, StudyAssessed, ViewStatus
from schemas.tariffs import Bundle, Tariff, ViewRule
from schemas.tariffs.conditions import fits


@dataclass(frozen=True, slots=True)
class CaseView:
    """A diagnostic view. ``rule`` is None where the tariff has no price for it."""

    image: ImageResult
    after_hours: bool
    rule: ViewRule | None


@dataclass(frozen=True, slots=True)
class CaseBundle:
    """A bundle for studies like this one, with how many of its planned views are done."""

    bundle: Bundle
    done: int
    planned: int
    images: frozenset[str]

    @property
    def can_be_charged(self) -> bool:
        """Whether enough is done. Whole numbers, so that no share is rounded."""
        enough = self.done >= self.bundle.at_least_views
        share = self.done * 100 >= self.bundle.at_least_percent * self.planned
        return bool(self.images) and enough and share


@dataclass(frozen=True, slots=True)
class Case:
    """A study to be priced; ``views`` in order of acquisition."""

    assessment: StudyAssessed
    tariff: Tariff
    views: tuple[CaseView, ...]
    bundles: tuple[CaseBundle, ...]

    @property
    def fitting(self) -> tuple[CaseBundle, ...]:
        return tuple(one for one in self.bundles if one.can_be_charged)


def images_in_order(assessment: StudyAssessed) -> list[ImageResult]:
    """Order by time of acquisition; an image that is told twice counts once."""
    once = {image.sop_instance_uid: image for image in assessment.images}
    return sorted(once.values(), key=lambda image: (image.acquired_at, image.sop_instance_uid))


def case_of(assessment: StudyAssessed, tariff: Tariff, zone: tzinfo) -> Case:
    """Lay a study beside a site's tariff; ``zone`` is the site's, for its opening hours.

    Without a patient nothing is known to price by: there are no views then.
    """
    patient = assessment.patient
    if patient is None:
        return Case(assessment, tariff, (), ())
    weight_kg = patient.weight.kg if patient.weight is not None else None
    rules = [r for r in tariff.views if r.when.holds(patient.species, assessment.plan, weight_kg)]
    views = tuple(
        _view(image, rules, tariff, zone)
        for image in images_in_order(assessment)
        if image.use is ImageUse.VIEW
    )
    bundles = tuple(
        _bundle(bundle, assessment, views)
        for bundle in tariff.bundles
        if bundle.when.holds(patient.species, assessment.plan, weight_kg)
    )
    return Case(assessment, tariff, views, bundles)


def _view(image: ImageResult, rules: list[ViewRule], tariff: Tariff, zone: tzinfo) -> CaseView:
    hours = tariff.opening_hours
    after_hours = hours is not None and not hours.is_open(image.acquired_at.astimezone(zone))
    rule = next(
        (
            rule
            for rule in rules
            if rule.when.holds_for_view(image.view, image.technique, after_hours=after_hours)
        ),
        None,
    )
    return CaseView(image, after_hours, rule)


def _bundle(bundle: Bundle, assessment: StudyAssessed, views: tuple[CaseView, ...]) -> CaseBundle:
    planned = [view for view in assessment.views if fits(bundle.covers, view.view)]
    return CaseBundle(
        bundle=bundle,
        done=sum(view.status is ViewStatus.DONE for view in planned),
        planned=len(planned),
        images=frozenset(
            view.image.sop_instance_uid for view in views if fits(bundle.covers, view.image.view)
        ),
    )
