"""Our own drawings for the page: the day, the clocks, teeth, and small X-ray pictures."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pydicom import dcmread

from demo.evening.chapter import Chapter, Figure, data_uri
from demo.evening.guests import ZONE
from demo.evening.hospitals import HOUSES
from demo.synthetic_image import png
from schemas.conclusions import StudyAssessed
from schemas.teeth import Dentition, Species
from services.console.views_chairside import ToothState as Told
from services.console.views_chairside import tooth_states
from services.notes.tooth_chart import ToothState, chart_words, tooth_chart_svg
from services.runtime.svg import BLACK, BLUE, GREY, ORANGE, PALE, Drawing, Scale

_CHARTED: Final = {
    Told.COVERED: ToothState.SHOWN,
    Told.MISSING: ToothState.NOT_SHOWN,
    Told.NEEDS_PERSON: ToothState.NOT_SHOWN,
    Told.EXCUSED: ToothState.EXCUSED,
    Told.ABSENT: ToothState.ABSENT,
}
_PICTURE_HIGH: Final = 180
_GAP: Final = 6


def tooth_chart(study: StudyAssessed, caption: str) -> Figure:
    """Draw which teeth an image shows, as the note does."""
    if study.patient is None:
        raise ValueError("expected a study whose patient is known")
    species = Species(study.patient.species)
    states = {tooth: _CHARTED[state] for tooth, state in tooth_states(study).items()}
    svg = tooth_chart_svg(species, Dentition.PERMANENT, states)
    words = chart_words(species, Dentition.PERMANENT, states)
    return svg_figure(svg, words, caption)


def clock_drawing(study: StudyAssessed) -> Figure:
    """Draw exposures by the generator's clock above, images by the station's below, and links."""
    images = {one.sop_instance_uid: one.acquired_at for one in study.images}
    pairs = sorted(
        (one.occurred_at, images[one.sop_instance_uid])
        for one in study.exposures
        if one.sop_instance_uid in images
    )
    first = min(moment for pair in pairs for moment in pair)
    last = max(moment for pair in pairs for moment in pair)
    x = Scale(-30.0, (last - first).total_seconds() + 30.0, 150.0, 880.0)
    shift = (pairs[0][0] - pairs[0][1]).total_seconds()
    words = (
        f"{len(pairs)} exposures by the generator's clock, above, each joined by a line to its "
        f"image by the station's clock, below: all lines lean alike, by {shift:.0f} seconds."
    )
    drawing = Drawing(900, 250, "Two clocks and the links between them", words)
    top, bottom = 70.0, 185.0
    for y, name in ((top, "generator says"), (bottom, "station says")):
        drawing.line(150, y, 880, y, GREY)
        drawing.text(12, y + 5, name, bold=True)
    for exposed, taken in pairs:
        above, below = (x.at((moment - first).total_seconds()) for moment in (exposed, taken))
        drawing.line(above, top, below, bottom, PALE, width=2.0)
        drawing.mark(above, top, 2, ORANGE, 6)
        drawing.mark(below, bottom, 0, BLUE, 6)
    for moment, y, anchor in (
        (pairs[0][0], top - 18, "start"), (pairs[-1][0], top - 18, "end"),
        (pairs[0][1], bottom + 28, "start"), (pairs[-1][1], bottom + 28, "end"),
    ):  # fmt: skip
        place = x.at((moment - first).total_seconds())
        drawing.text(place, y, f"{moment.astimezone(ZONE):%H:%M:%S}", anchor=anchor)
    drawing.text(450, 236, words.split(": ")[1].capitalize(), anchor="middle", colour=GREY)
    caption = "Two clocks seven minutes apart, and what belongs together all the same"
    return svg_figure(drawing.render(), words, caption)


def day_drawing(day: date, chapters: Sequence[Chapter]) -> Figure:
    """Draw the day's hours, a lane for each hospital, and each trouble at its time."""
    begin = datetime.combine(day, time(8), ZONE)
    x = Scale(8.0, 18.0, 160.0, 880.0)
    drawing = Drawing(
        900, 250, "The day at three hospitals",
        "; ".join(f"{one.clock} {one.place}: no. {one.number}, {one.title}" for one in chapters),
    )  # fmt: skip
    for hour in range(8, 19):
        drawing.line(x.at(hour), 30, x.at(hour), 205, PALE)
        drawing.text(x.at(hour), 226, f"{hour}:00", anchor="middle", colour=GREY, size=12)
    for lane, house in enumerate(HOUSES):
        y = 60.0 + 62.0 * lane
        drawing.line(160, y, 880, y, GREY)
        drawing.text(12, y + 5, house.site.capitalize(), bold=True)
        placed = -99.0
        for one in chapters:
            if not one.place.lower().startswith(house.site):
                continue
            hours = 8.0 + (one.at.astimezone(ZONE) - begin) / timedelta(hours=1)
            place = max(x.at(hours), placed + 29.0)
            placed = place
            drawing.mark(place, y, 0, BLACK, 13)
            drawing.text(place, y + 5, str(one.number), anchor="middle", colour="#ffffff",
                         bold=True)  # fmt: skip
    alt = f"The day's hours, with the {len(chapters)} troubles at their times; listed below."
    return svg_figure(drawing.render(), alt, "The day, and where each trouble came")


def radiographs(files: Sequence[Path], words: str, caption: str) -> Figure:
    """Set small pictures of stored images side by side. They are invented, and show no animal."""
    rows = [_small(path) for path in files]
    gap = np.full((_PICTURE_HIGH, _GAP), 255, dtype=np.uint8)
    parts: list[NDArray[np.uint8]] = []
    for one in rows:
        parts += [one, gap]
    strip = np.hstack(parts[:-1])
    high, wide = strip.shape
    return Figure(data_uri("png", png.encode(strip)), words, caption, wide, high, drawn=True)


def _small(path: Path) -> NDArray[np.uint8]:
    dataset = dcmread(path)
    pixels = dataset.pixel_array.astype(np.float64)
    step = max(1, round(pixels.shape[0] / _PICTURE_HIGH))
    high, wide = (side // step * step for side in pixels.shape)
    mean = pixels[:high, :wide].reshape(high // step, step, wide // step, step).mean(axis=(1, 3))
    low, most = float(mean.min()), float(mean.max())
    grey = np.rint(255.0 * (mean - low) / max(most - low, 1.0)).astype(np.uint8)
    canvas = np.full((_PICTURE_HIGH, grey.shape[1]), 0, dtype=np.uint8)
    top = max(0, (_PICTURE_HIGH - grey.shape[0]) // 2)
    canvas[top : top + min(_PICTURE_HIGH, grey.shape[0])] = grey[:_PICTURE_HIGH]
    return canvas


def svg_figure(svg: str, alt: str, caption: str) -> Figure:
    """Take a drawing of ours as a figure; its size stands in its own root."""
    head = svg[: svg.index(">")]
    size = dict(
        part.split("=", 1) for part in head.split() if part.startswith(("width=", "height="))
    )
    wide, high = (round(float(size[name].strip('"'))) for name in ("width", "height"))
    return Figure(data_uri("svg", svg.encode()), alt, caption, wide, high, drawn=True)
