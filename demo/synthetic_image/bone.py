"""Draw the jaw around the teeth as thickness along the beam: bone, spaces in it, soft tissue."""

from dataclasses import dataclass

import numpy as np

from demo.synthetic_image.anatomy import JawForm, jaw_form
from demo.synthetic_image.fields import Field, band_noise, bell, step, wander
from demo.synthetic_image.layout import View


@dataclass(slots=True)
class BoneMaps:
    """Thickness along the beam, mm: compact bone, spongy bone (as compact), soft tissue."""

    compact: Field
    spongy: Field
    soft: Field


def draw_bone(view: View, rng: np.random.Generator) -> BoneMaps:
    """Draw the jaw of ``view``."""
    form = jaw_form(view.species)
    x, y = view.x_mm[None, :], view.y_mm[:, None]
    size = form.depth_mm / 9.5
    crest = _crest(view, rng, size)[None, :]
    below_crest = y - crest
    edge = step(below_crest, 0.0, 2.4 * size)
    compact = np.asarray(1.7 * size * edge, dtype=np.float32)
    spongy = np.asarray(
        0.30 * form.depth_mm * edge * _trabeculae(view, rng, size), dtype=np.float32
    )
    # Gum over the crest, thinner towards the crowns; cheek or lip behind part of the picture.
    soft = 0.9 * form.depth_mm * step(below_crest, -3.2 * size, 0.8 * size)
    soft = np.asarray(soft + 2.0 * step(below_crest, -9 * size, 2 * size), dtype=np.float32)
    maps = BoneMaps(compact, spongy, soft)
    if view.rostral:
        _shape_rostral(view, maps, x, y, size, rng)
    else:
        _end_in_front(view, maps, x, y, size, rng)
        if view.jaw == "lower":
            _shape_mandible(view, maps, x, y, form, rng)
    if view.jaw == "upper":
        _open_nose(view, maps, x, y, form, rng)
    return maps


def _crest(view: View, rng: np.random.Generator, size: float) -> Field:
    """Give the alveolar margin: it follows the necks, and rises behind the last lower tooth."""
    x = view.x_mm
    order = sorted(view.teeth, key=lambda place: place.x_mm)
    necks = np.interp(x, [place.x_mm for place in order], [place.y_mm for place in order])
    line = necks + 1.1 * size + wander(x, rng, 0.35 * size, 7.0 * size)
    if not view.rostral and view.jaw == "lower":
        last = order[-1].x_mm + order[-1].form.width_mm / 2
        line = line - 16 * size * step(x, last + 1.0 * size, last + 15 * size)
    return np.asarray(line, dtype=np.float32)


def _trabeculae(view: View, rng: np.random.Generator, size: float) -> Field:
    """A net of fine plates with slower changes of density, around 1."""
    shape = view.rows, view.columns
    length = 0.5 + 0.5 * size
    net = np.exp(-np.abs(band_noise(shape, view.pitch_mm, rng, 1.5 * length, 1.4)) * 1.3)
    # Nets at several depths lie over each other, which breaks the lines up.
    deeper = np.exp(-np.abs(band_noise(shape, view.pitch_mm, rng, 0.95 * length, 0.8)) * 1.3)
    fine = band_noise(shape, view.pitch_mm, rng, 0.5 * length)
    slow = band_noise(shape, view.pitch_mm, rng, 7.0 * length)
    texture = 0.62 + 0.38 * net + 0.38 * deeper + 0.07 * fine + 0.09 * slow
    return np.asarray(texture, dtype=np.float32)


def _end_in_front(
    view: View, maps: BoneMaps, x: Field, y: Field, size: float, rng: np.random.Generator
) -> None:
    front = min(place.x_mm for place in view.teeth) - 3.0 * size
    # The front of the jaw slopes back from the incisors.
    back = np.maximum(y, 0.0)
    slope = 0.25 * back + 0.016 / size * back * back
    slope = slope + wander(view.y_mm, rng, 0.5 * size, 11 * size)[:, None]
    inside = step(x - front - slope, 0.0, 3.5 * size)
    maps.compact *= inside
    maps.spongy *= inside
    maps.soft *= 0.2 + 0.8 * step(x - front - slope, -9 * size, 1.0 * size)


def _shape_mandible(
    view: View, maps: BoneMaps, x: Field, y: Field, form: JawForm, rng: np.random.Generator
) -> None:
    """Cut the lower border, give it its thick cortex, and run the canal along it."""
    size = form.depth_mm / 9.5
    places = {place.tooth % 100: place.x_mm for place in view.teeth}
    end = max(places.values())
    border = form.height_mm * (0.84 + 0.16 * step(x, 0.0, 0.9 * end))
    border = border + wander(x, rng, 0.25 * size, 20 * size)
    above = border - y
    inside = step(above, -0.05, 0.7 * size)
    cortex = step(above, 2.6 * size, 1.5 * size) * inside
    # The chin slopes back, so the cortex fades out in front.
    cortex = cortex * step(x - 0.42 * y, -1.0, 6 * size)
    canal_at = above - 4.9 * size
    foramen = places.get(6, places[7] - 4.0 * size)
    behind = step(x, foramen - 0.5 * size, foramen + 3.0 * size)
    canal = np.exp(-((canal_at / (1.65 * size)) ** 6)) * behind
    wall = (bell(canal_at, 1.9 * size, 0.22) + bell(canal_at, -1.9 * size, 0.22)) * behind
    hole = np.exp(
        -(
            (((x - foramen) / (1.7 * size)) ** 2 + ((canal_at - 1.5 * size) / (1.1 * size)) ** 2)
            ** 2
        )
    )
    maps.spongy *= inside * (1 - 0.42 * np.maximum(canal, hole)) * (1 - 0.35 * cortex)
    maps.compact *= inside * (1 - 0.4 * hole)
    maps.compact += (3.4 * size * cortex + 0.45 * size * wall * inside).astype(np.float32)
    maps.soft *= 0.3 + 0.7 * step(above, -5.0 * size, 0.0)


def _shape_rostral(
    view: View, maps: BoneMaps, x: Field, y: Field, size: float, rng: np.random.Generator
) -> None:
    """Bound the front of the jaw at its sides and part the two halves at the midline."""
    outermost = max(view.teeth, key=lambda place: place.x_mm)
    edge = outermost.x_mm + outermost.form.width_mm * 0.62
    upper = view.jaw == "upper"
    sway = wander(view.y_mm, rng, 0.4 * size, 14 * size)[:, None]
    side = edge + (0.08 if upper else -0.06) * y + sway - np.abs(x)
    x = x + 0.5 * wander(view.y_mm, rng, 0.25 * size, 9 * size)[:, None]
    inside = step(side, 0.0, 1.6 * size)
    rim = bell(side, 1.3 * size, 0.9 * size) * step(y, 4 * size, 9 * size)
    gap = 0.22 * size + (0.0 if upper else 0.012) * np.maximum(y, 0.0)
    seam = np.exp(-((np.abs(x) / gap) ** 2)) * step(y, 0.5 * size, 3.0 * size)
    walls = bell(np.abs(x), 0.75 * size, 0.3 * size) * step(y, 1.5 * size, 5.0 * size)
    maps.spongy *= inside * (1 - 0.55 * seam)
    maps.compact *= inside * (1 - 0.6 * seam)
    maps.compact += (1.3 * size * rim + 0.6 * size * walls).astype(np.float32)
    maps.soft *= 0.35 + 0.65 * step(side, -6 * size, 0.0)
    if upper:
        # The two palatine fissures lie behind the incisors, one at each side of the midline.
        fissure = ((np.abs(x) - 3.4 * size) / (1.9 * size)) ** 2 + (
            (y - 18 * size) / (5 * size)
        ) ** 2
        hole = np.exp(-(fissure**3))
        rim = np.exp(-(((fissure - 1.35) / 0.3) ** 2))
        maps.spongy *= 1 - 0.75 * hole
        maps.compact *= 1 - 0.75 * hole
        maps.compact += (0.5 * size * rim).astype(np.float32)


def _open_nose(
    view: View, maps: BoneMaps, x: Field, y: Field, form: JawForm, rng: np.random.Generator
) -> None:
    """Thin the bone over the nasal cavity, with its floor's bright line and the conchae."""
    size = form.depth_mm / 9.5
    floor = form.nasal_floor_mm + wander(view.x_mm, rng, 0.7 * size, 14 * size)[None, :]
    if view.rostral:
        # The cavity lies behind the roots of the incisors; the canine's bone bounds it.
        floor = floor + 2.5 * size + 0.03 * x * x / size
    past = step(y - floor, -1.0 * size, 2.2 * size)
    conchae = band_noise((view.rows, view.columns), view.pitch_mm, rng, 0.8 + 1.6 * size, 3.2)
    scrolls = np.exp(-np.abs(conchae) * 1.5)
    maps.spongy *= 1 - 0.6 * past
    maps.compact *= 1 - 0.28 * past
    maps.compact += (0.6 * size * scrolls * past * (maps.compact > 0.2)).astype(np.float32)
    maps.soft *= 1 - 0.3 * past
    line = 0.0 if view.rostral else 1.0
    maps.compact += (
        1.1 * line * size * bell(y - floor, 0.0, 0.35 * size) * (maps.compact > 0.2)
    ).astype(np.float32)
    if not view.rostral:
        last = max(place.x_mm for place in view.teeth)
        # The zygomatic arch leaves the jaw above the molars and lies over the picture there.
        ridge = y - form.nasal_floor_mm - 6.5 * size + 0.35 * (x - last)
        arch = step(x, last - 9 * size, last + 2 * size)
        arch = arch * step(ridge, -0.8 * size, 0.8 * size) * step(ridge, 9 * size, 7 * size)
        maps.compact += (2.6 * size * arch).astype(np.float32)
