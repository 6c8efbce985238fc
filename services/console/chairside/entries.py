"""Exposures and images as they come, the newest first, and what wants a look at once. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from schemas.conclusions import (
    Concern,
    DoseVerdict,
    ExposureResult,
    ExposureUse,
    StudyAssessed,
    TechniqueFinding,
)
from schemas.facts import ExposureEnded, ImageStored
from schemas.reject_reasons import reject_meaning
from schemas.techniques import SizeRule
from services.console.views_chairside import JustTold, Moment, StudyBoard


@dataclass(frozen=True, slots=True)
class Entry:
    """One exposure, image or both. ``placed``: it stands in a conclusion. ``words`` say what is
    known; ``image`` can be rejected and assigned."""

    at: datetime
    title: str
    words: tuple[str, ...]
    image: str | None = None
    rejected: bool = False
    ended_early: bool = False
    placed: bool = True


@dataclass(frozen=True, slots=True)
class Alert:
    """What wants a look before the next exposure, and what to do."""

    code: str
    title: str
    words: str
    next_action: str


_REPEAT_ONLY = (
    "It gave dose and is not charged. Repeat only if there is no diagnostic image of the view."
)


def entries_of(board: StudyBoard, in_room: Sequence[JustTold] = ()) -> tuple[Entry, ...]:
    """Lay out what came, the newest first. ``in_room``: exposures of no patient yet."""
    study = board.study
    exposures = {one.exposure_key: one for one in study.exposures}
    placed = [_placed(moment, study, exposures) for moment in board.moments]
    waiting = [
        entry for told in (*board.just_told, *in_room) if (entry := _just_told(told)) is not None
    ]
    # A generator tells its own clock: what is not placed yet is the newest that there is.
    return (
        *sorted(waiting, key=lambda one: one.at, reverse=True),
        *sorted(placed, key=lambda one: one.at, reverse=True),
    )


def alerts_of(
    board: StudyBoard, in_room: Sequence[JustTold], size_rule: SizeRule
) -> tuple[Alert, ...]:
    """Say what is to be looked at before the next exposure."""
    last = _last_told(board, in_room)
    return (
        *_early_alerts(board.study, last),
        *_setting_alerts(board.study, last, size_rule),
        *_dose_alerts(board.study),
    )


def _placed(moment: Moment, study: StudyAssessed, exposures: dict[str, ExposureResult]) -> Entry:
    exposure = exposures.get(moment.exposure or "")
    titles = {view.view: view.title for view in study.views}
    words = [_plain(moment.words)] if moment.image is not None else []
    if moment.repeat:
        words.append("a repeat")
    if exposure is not None:
        words.append(_setting(exposure))
        words += [f"look at the setting: {one.words}" for one in _checks(study, exposure)]
    elif moment.image is not None:
        words.append("its exposure is not known here")
    if moment.ended_early and exposure is not None:
        words.insert(0, f"released early{_share(exposure.exposure_ms, exposure.set_exposure_ms)}")
    if moment.view is not None:
        title = titles.get(moment.view, moment.view)
    elif moment.image is not None:
        title = "Image, view not settled"
    else:
        title = "Exposure without image"
    return Entry(
        moment.at,
        title[:1].upper() + title[1:],
        tuple(words),
        moment.image,
        moment.rejected,
        moment.ended_early,
    )


def _just_told(told: JustTold) -> Entry | None:
    fact = told.fact
    if isinstance(fact, ExposureEnded):
        words = [f"{fact.tube_kv:g} kV, {fact.tube_current_ma:g} mA, {fact.exposure_ms:g} ms"]
        if fact.ended_early:
            words.insert(0, f"released early{_share(fact.exposure_ms, fact.set_exposure_ms)}")
        return Entry(
            told.received_at,
            "Exposure, no image yet",
            tuple(words),
            ended_early=fact.ended_early,
            placed=False,
        )
    if isinstance(fact, ImageStored):
        return Entry(
            told.received_at,
            "Image, just come",
            ("being placed",),
            fact.sop_instance_uid,
            placed=False,
        )
    return None


def _last_told(board: StudyBoard, in_room: Sequence[JustTold]) -> ExposureEnded | None:
    """The last exposure that no conclusion about this study holds; it is the newest of all."""
    told = [
        (one.received_at, one.fact)
        for one in (*board.just_told, *in_room)
        if isinstance(one.fact, ExposureEnded)
    ]
    return max(told, key=lambda one: one[0])[1] if told else None


def _early_alerts(study: StudyAssessed, told: ExposureEnded | None) -> tuple[Alert, ...]:
    """Only of the last exposure: after the next one it is history."""
    kerma = None
    if told is not None:
        given, wanted, early = told.exposure_ms, told.set_exposure_ms, told.ended_early
    elif study.exposures:
        last = max(study.exposures, key=lambda one: one.occurred_at)
        given, wanted, kerma = last.exposure_ms, last.set_exposure_ms, last.kerma_mgy
        early = last.use is ExposureUse.ENDED_EARLY
    else:
        return ()
    if not early:
        return ()
    dose = f" About {kerma:.2g} mGy (estimate)." if kerma is not None else ""
    words = f"The switch was let go{_share(given, wanted)}.{dose}"
    return (Alert("ended-early", "Released early", words, _REPEAT_ONLY),)


def _setting_alerts(
    study: StudyAssessed, told: ExposureEnded | None, size_rule: SizeRule
) -> tuple[Alert, ...]:
    if told is not None:
        words = _of_another_size(study, told, size_rule)
        return (_misfit("size-against-weight", words),) if words else ()
    if not study.exposures:
        return ()
    last = max(study.exposures, key=lambda one: one.occurred_at)
    return tuple(_misfit(one.code, one.words) for one in _checks(study, last))


def _of_another_size(study: StudyAssessed, told: ExposureEnded, rule: SizeRule) -> str | None:
    """Hold the size that was set against this animal, before anything is concluded."""
    if study.patient is None or told.animal_size is None:
        return None
    weight = study.patient.weight
    expected = rule.size_of(study.patient.species, weight.kg if weight is not None else None)
    if expected is None or expected is told.animal_size:
        return None
    return (
        f"It was set for a {told.animal_size} animal; the patient on the table wants the "
        f"{expected} setting ({rule.basis})."
    )


def _misfit(code: str, words: str) -> Alert:
    return Alert(
        code,
        "The last setting does not fit",
        words,
        "Look at the panel of the X-ray set before the next exposure.",
    )


def _dose_alerts(study: StudyAssessed) -> tuple[Alert, ...]:
    if study.dose.verdict not in {DoseVerdict.NOTIFY, DoseVerdict.ALERT}:
        return ()
    return (
        Alert(
            "dose",
            f"Dose above the group's own {study.dose.verdict} level",
            study.dose.words,
            "Tell the vet before the next exposure. An estimate, not a dosimeter.",
        ),
    )


def _checks(study: StudyAssessed, exposure: ExposureResult) -> list[TechniqueFinding]:
    return [
        one
        for one in study.technique
        if one.exposure_key == exposure.exposure_key and one.concern is Concern.CHECK
    ]


def _setting(one: ExposureResult) -> str:
    dose = f", about {one.kerma_mgy:.2g} mGy" if one.kerma_mgy is not None else ""
    return f"{one.tube_kv:g} kV, {one.tube_current_ma:g} mA, {one.exposure_ms:g} ms{dose}"


def _share(given_ms: float, wanted_ms: float) -> str:
    return f" after {given_ms:g} of {wanted_ms:g} ms"


def _plain(words: str) -> str:
    """Say a reject's code in the words of its table."""
    before, found, code = words.partition("reason ")
    meaning = reject_meaning(code[:6]) if found else None
    return f"{before}{meaning}{code[6:]}" if meaning is not None else words
