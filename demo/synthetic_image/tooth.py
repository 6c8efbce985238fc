"""Draw one tooth as thickness along the beam: dentine, enamel, pulp, and the socket around it."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from demo.synthetic_image.anatomy import Profile, Root
from demo.synthetic_image.fields import Field, rounded, step
from demo.synthetic_image.layout import PlacedTooth, View

# Invented within the range of textbooks, mm: ligament space, lamina dura, enamel.
LIGAMENT_MM: Final = 0.24
LAMINA_MM: Final = 0.24
_ENAMEL_MM: Final[dict[str, float]] = {"dog": 0.55, "cat": 0.3}


@dataclass(frozen=True, slots=True)
class ToothMaps:
    """Thickness along the beam in mm of the standard animal, one value for each pixel.

    ``socket`` is the bone that tooth and ligament displace, ``lamina`` the bright plate around.
    """

    dentine: Field
    enamel: Field
    pulp: Field
    socket: Field
    lamina: Field


def empty_maps(view: View) -> ToothMaps:
    """Start a view with no tooth drawn."""
    shape = (view.rows, view.columns)
    return ToothMaps(*(np.zeros(shape, dtype=np.float32) for _ in range(5)))


def add_tooth(view: View, place: PlacedTooth, pulp_share: float, maps: ToothMaps) -> None:
    """Draw ``place`` into ``maps``; ``pulp_share`` is the canal's share of the root (0 to 0.6).

    Where two teeth overlap the longer path counts, not the sum: they stand side by side.
    """
    form = place.form
    far = max(form.root_mm, form.crown_mm)
    sway = abs(place.lean) * far + abs(place.bow_per_mm) * far * far + 0.2 * form.root_mm
    x, y = view.x_mm, view.y_mm
    columns = _window(x, place.x_mm - form.width_mm - sway, place.x_mm + form.width_mm + sway)
    rows = _window(y, place.y_mm - form.crown_mm - 1, place.y_mm + form.root_mm + 2)
    if columns.start >= columns.stop or rows.start >= rows.stop:
        return
    u = np.asarray(x[columns] - np.float32(place.x_mm), dtype=np.float32)
    v = np.asarray(y[rows] - np.float32(place.y_mm), dtype=np.float32)
    enamel_mm = _ENAMEL_MM[view.species] * (0.6 if place.tooth >= 500 else 1.0)
    draw = _cheek_tooth if form.roots else _horn
    whole, enamel, pulp = draw(place, u, v, enamel_mm, pulp_share)
    box = rows, columns
    pulp = np.minimum(pulp, 0.9 * whole)
    # The outer tooth hides the inner one's enamel and pulp only where it is the thicker.
    thicker = whole >= maps.dentine[box] + maps.enamel[box] + maps.pulp[box]
    for target, value in (
        (maps.dentine, whole - enamel - pulp),
        (maps.enamel, enamel),
        (maps.pulp, pulp),
    ):
        target[box] = np.where(thicker, np.maximum(value, 0.0), target[box])
    ligament = draw(place, u, v, 0.0, 0.0, LIGAMENT_MM)[0]
    lamina = draw(place, u, v, 0.0, 0.0, LIGAMENT_MM + LAMINA_MM)[0]
    np.maximum(maps.socket[box], ligament, out=maps.socket[box])
    np.maximum(maps.lamina[box], lamina - ligament, out=maps.lamina[box])


def _window(places: Field, start: float, end: float) -> slice:
    return slice(int(np.searchsorted(places, start)), int(np.searchsorted(places, end)))


def _horn(
    place: PlacedTooth, u: Field, v: Field, enamel_mm: float, pulp_share: float, grow: float = 0.0
) -> tuple[Field, Field, Field]:
    """Draw a single-rooted tooth: crown and root are one tapered, bent horn."""
    form = place.form
    bend = place.bend_mm(v)
    # A row cuts a leaning horn obliquely, so its width there is larger.
    oblique = np.sqrt(1 + (place.lean + place.bow_per_mm * np.where(v < 0, v, 2 * v)) ** 2)
    offset = u[None, :] - bend[:, None]
    half = np.float32(form.width_mm / 2)
    shape = (
        _canine_width(v, form.crown_mm, form.root_mm, grow)
        if form.canine
        else _peg_width(v, form.crown_mm, form.root_mm, grow)
    )
    around = grow * _round_end(v, form.root_mm, grow) * (shape > 0)
    width = np.asarray((half * shape + around) * oblique, dtype=np.float32)
    depth = np.asarray(form.depth_mm * np.sqrt(shape) + 2 * grow, dtype=np.float32)
    whole = rounded(offset, width[:, None], depth[:, None])
    nothing = np.zeros_like(whole)
    enamel = pulp = nothing
    if enamel_mm:
        shell = enamel_mm * step(v, -0.02 * form.crown_mm, -0.35 * form.crown_mm)
        inner = np.maximum(width - shell * oblique, 0.0)
        core = rounded(offset, inner[:, None], np.maximum(depth - 2 * shell, 0.0)[:, None])
        enamel = np.asarray((whole - core) * (shell > 0)[:, None], dtype=np.float32)
    if pulp_share:
        inside = step(v, -0.62 * form.crown_mm, -0.2 * form.crown_mm)
        inside *= 1 - 0.55 * step(v, 0.45 * form.root_mm, 0.97 * form.root_mm)
        inside *= v < 0.97 * form.root_mm
        canal = np.asarray(width * inside * pulp_share, dtype=np.float32)
        pulp = rounded(
            offset, canal[:, None], (depth * inside * min(0.9, pulp_share * 1.5))[:, None]
        )
    return whole, enamel, pulp


def _round_end(v: Field, length: float, grow: float) -> Field:
    """Close the space around a root over its last bit, so that it runs round the apex."""
    if not grow:
        return np.ones_like(v)
    left = np.clip((length + grow - v) / (4 * grow), 0.0, 1.0)
    return np.asarray(np.sqrt(left), dtype=np.float32)


def _canine_width(v: Field, crown_mm: float, root_mm: float, grow: float) -> Field:
    crown = np.clip((v + crown_mm + grow) / (crown_mm + grow), 0.0, 1.0)
    root = np.clip(v / (root_mm + grow), 0.0, 1.0)
    above = crown**0.62 * 0.9 + 0.1 * crown
    below = (1 + 0.1 * np.sin(np.pi * np.clip(root / 0.7, 0, 1)) - 0.58 * root**1.6) * np.sqrt(
        np.maximum(1 - root**5, 0.0)
    )
    return np.asarray(np.where(v < 0, above, below), dtype=np.float32)


def _peg_width(v: Field, crown_mm: float, root_mm: float, grow: float) -> Field:
    crown = np.clip((v + crown_mm + grow) / (crown_mm + grow), 0.0, 1.0)
    root = np.clip(v / (root_mm + grow), 0.0, 1.0)
    above = np.minimum(1.0, crown / 0.55) ** 0.55 - 0.22 * step(
        np.asarray(crown, dtype=np.float32), 0.6, 1.0
    )
    below = (0.78 - 0.38 * root) * np.sqrt(np.maximum(1 - root**5, 0.0))
    return np.asarray(np.where(v < 0, above, below), dtype=np.float32)


def _cusps(profile: Profile, t: Field, smoothing: int) -> Field:
    """Give the outline at ``t``, rounded over ``smoothing`` hundredths of the half width."""
    places, heights = zip(*profile, strict=True)
    fine = np.linspace(-1.2, 1.2, 241)
    line = np.interp(fine, places, heights, left=0.0, right=0.0)
    window = np.hanning(smoothing + 2)[1:-1]
    smooth = np.convolve(line, window / window.sum(), mode="same")
    return np.asarray(np.interp(t, fine, smooth), dtype=np.float32)


def _cheek_tooth(
    place: PlacedTooth, u: Field, v: Field, enamel_mm: float, pulp_share: float, grow: float = 0.0
) -> tuple[Field, Field, Field]:
    """Draw a tooth with several roots: a cusped body, and a tapered horn for each root."""
    form = place.form
    whole, depth_below = _body(place, u, v, grow)
    enamel = pulp = np.zeros_like(whole)
    if enamel_mm:
        # Enamel is a shell: long paths at the outline, short ones over the face of the crown.
        edge = np.exp(-((depth_below / np.float32(1.3 * enamel_mm)) ** 2))
        cap = step(v, 0.04 * form.crown_mm, -0.16 * form.crown_mm)[:, None]
        enamel = np.minimum(whole, (1.5 * enamel_mm + 3.6 * enamel_mm * edge) * cap)
        enamel = np.asarray(enamel, dtype=np.float32)
    if pulp_share:
        chamber, _ = _body(place, u, v, 0.0, shrink=0.35 + 0.5 * pulp_share)
        pulp = chamber * np.float32(min(0.6, 0.2 + 0.6 * pulp_share))
    for root in form.roots:
        horn = _root(place, root, u, v, grow, 1.0)
        if root.behind:
            whole = np.asarray(
                np.maximum(whole, np.minimum(whole + 0.55 * horn, 1.35 * form.depth_mm)),
                dtype=np.float32,
            )
        else:
            whole = np.maximum(whole, horn)
        if pulp_share:
            canal = _root(place, root, u, v, 0.0, pulp_share)
            pulp = np.maximum(pulp, canal * np.float32(0.5 if root.behind else 1.0))
    return whole, enamel, pulp


def _body(
    place: PlacedTooth, u: Field, v: Field, grow: float, shrink: float = 1.0
) -> tuple[Field, Field]:
    """Draw crown and root trunk; gives thickness and the distance below the outline."""
    form = place.form
    half = form.width_mm / 2 * (shrink if shrink == 1.0 else shrink * 1.15) + grow
    t = np.asarray(u / np.float32(half), dtype=np.float32)
    crown_mm = form.crown_mm * (1.0 if shrink == 1.0 else shrink * 0.75)
    top = _cusps(form.crown, t, 21 if shrink == 1.0 else 81) * np.float32(crown_mm)
    top += np.float32(grow)
    trunk_mm = form.root_mm * (0.22 if shrink == 1.0 else 0.15) + grow
    side = np.maximum(1 - np.abs(t) ** 3, 0.0)
    # The furcation is an arch between the roots.
    arch = 0.6 + 0.4 * np.minimum(1.0, (t / 0.45) ** 2)
    bottom = np.asarray(trunk_mm * arch * np.sqrt(side) * (np.abs(t) < 1), dtype=np.float32)
    below_top = v[:, None] + top[None, :]
    above_bottom = bottom[None, :] - v[:, None]
    slope = np.gradient(top, u) if len(u) > 1 else np.zeros_like(top)
    tilt = _smooth(np.asarray(1 / np.sqrt(1 + slope * slope), dtype=np.float32))
    under = np.maximum(below_top, 0.0) * tilt[None, :]
    wedge = np.minimum(1.0, under / np.float32(0.8 * form.crown_mm))
    foot = np.clip(above_bottom / np.float32(0.5 * trunk_mm), 0.0, 1.0)
    face = 0.45 if shrink == 1.0 else 0.0
    thickness = (face + (1 - face) * np.sqrt(wedge)) * np.sqrt(foot) * np.sqrt(side)[None, :] ** 0.7
    thickness *= (below_top > 0) & (above_bottom > 0)
    return np.asarray(thickness * np.float32(form.depth_mm + grow), dtype=np.float32), under


def _smooth(line: Field) -> Field:
    """Take the mean over a twelfth of the line, so that a cusp casts no streak."""
    half = max(1, len(line) // 24)
    window = np.full(2 * half + 1, 1 / (2 * half + 1), dtype=np.float32)
    return np.asarray(
        np.convolve(np.pad(line, half, mode="edge"), window, mode="valid"), np.float32
    )


def _root(place: PlacedTooth, root: Root, u: Field, v: Field, grow: float, share: float) -> Field:
    form = place.form
    length = form.root_mm * root.length * (1.0 if share == 1.0 else 0.96) + grow
    start = -0.35 * form.crown_mm
    # A root behind the others is seen from the furcation on.
    fade = (0.0, 0.3 * form.root_mm) if root.behind else (start, 0.1 * form.root_mm)
    along = np.clip((v - start) / (length - start), 0.0, 1.0)
    taper = (1.05 - 0.5 * along) * np.sqrt(np.maximum(1 - along**4, 0.0)) * (v > start)
    if share != 1.0:
        taper = taper * (1 - 0.45 * along) * step(v, start, 0.05 * form.root_mm)
    half = root.half_width * form.width_mm / 2
    around = grow * _round_end(v, length - grow, grow) * (taper > 0)
    width = np.asarray(half * share * taper + around, dtype=np.float32)
    middle = root.place * form.width_mm / 2 + root.splay * v + place.bend_mm(v)
    offset = u[None, :] - np.asarray(middle, dtype=np.float32)[:, None]
    # Above the neck the root fades into the crown.
    shown = step(v, *fade)
    deep = (
        0.85
        * form.depth_mm
        * np.sqrt(taper)
        * shown
        * (1.0 if share == 1.0 else min(0.9, share * 1.6))
    )
    return rounded(offset, width[:, None], np.asarray(deep + 2 * grow, dtype=np.float32)[:, None])
