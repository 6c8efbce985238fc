"""What a study's conclusions rest on, as rows for people to read."""

from collections.abc import Iterator
from dataclasses import dataclass

from schemas.conclusions import StudyAssessed
from services.assessment.rulebook import rule_words


@dataclass(frozen=True, slots=True)
class Reason:
    """One conclusion, the sentence of its rule, and the keys of its facts."""

    about: str
    concluded: str
    rule: str
    facts: tuple[str, ...]


def reasons(study: StudyAssessed) -> Iterator[Reason]:
    """Give each conclusion with its reason: views, images, exposures, findings, questions."""
    for view in study.views:
        told = f"{view.status.value.replace('_', ' ')}: {view.words}"
        yield Reason(f"view {view.title}", told, rule_words(view.rule), view.facts)
    for image in study.images:
        told = f"{image.use.value}: {image.words}"
        yield Reason(f"image {image.sop_instance_uid}", told, rule_words(image.rule), image.facts)
    for exposure in study.exposures:
        told = exposure.use.value.replace("_", " ")
        if exposure.link_reasons:
            told = f"{told}: {'; '.join(exposure.link_reasons)}"
        about = f"exposure at {exposure.occurred_at:%H:%M:%S} UTC"
        yield Reason(about, told, rule_words(exposure.rule), exposure.facts)
    for finding in study.technique:
        yield Reason(
            f"technique: {finding.code}", finding.words, rule_words(finding.rule), finding.facts
        )
    for hint in study.quality:
        yield Reason(f"hint: {hint.code}", hint.words, rule_words(hint.rule), hint.facts)
    for repeat in study.repeats:
        yield Reason(
            f"repeat: {repeat.kind.value.replace('_', ' ')}",
            repeat.words,
            rule_words(repeat.rule),
            repeat.facts,
        )
    for question in study.questions:
        yield Reason(
            f"question: {question.code}", question.words, rule_words(question.rule), question.about
        )
