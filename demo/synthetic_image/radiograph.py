"""Turn a laid-out jaw into detector signal and stored pixel values."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from demo.synthetic_image.bone import draw_bone
from demo.synthetic_image.fields import Field, blur, step
from demo.synthetic_image.layout import View, lay_out
from demo.synthetic_image.tooth import ToothMaps, add_tooth, empty_maps

# 16 bits allocated, 14 stored, high bit 13, unsigned, MONOCHROME2: a high value is radiopaque.
STORED_BITS: Final = 14
_MAXIMUM: Final = 2**STORED_BITS - 1
# Effective attenuation per mm near 60 to 70 kV; invented, in a plausible order.
_SOFT: Final = 0.022
_SPONGY: Final = 0.10
_COMPACT: Final = 0.125
_DENTINE: Final = 0.145
_ENAMEL: Final = 0.40
_PULP: Final = 0.024
# Detector: relative signal at which it saturates, and the faintest that the scale still shows.
_SATURATION: Final = 1.5
_FAINTEST: Final = 0.025
_QUANTA_AT_ONE: Final = 3500.0
_READ_NOISE: Final = 0.0016
_LEAKAGE: Final = 0.004
# Attenuation (natural logarithm) of bone when the technique is right.
_TARGET_ATTENUATION: Final = 1.15


def render_view(
    species: str,
    teeth: Sequence[int],
    *,
    receptor_size: int,
    pixel_pitch_mm: float = 0.04,
    seed: int,
    exposure: float = 1.0,
    cut_off: float = 0.0,
    occlusal: bool = False,
) -> NDArray[np.uint16]:
    """Render one invented intraoral radiograph.

    Parameters
    ----------
    species
        ``dog`` or ``cat``.
    teeth
        Modified Triadan numbers that the view is centred on; their neighbours show as well.
    receptor_size
        0 to 4, see ``RECEPTOR_SIZES_MM``. The picture lies or stands, whichever suits the teeth.
    pixel_pitch_mm
        0.01 to 0.5 mm at the receptor.
    seed
        The same arguments and seed give the same pixels on one machine and numpy release.
    exposure
        Multiple of the right technique for this view, above 0 to 100: 0.25 is noisy and pale,
        4 is burnt out.
    cut_off
        Share of the picture that the beam misses, 0 to 0.95; the rest of the field is unexposed.
    occlusal
        Lay incisors and canines out around the midline though one side alone was named.

    Returns
    -------
    Rows by columns of uint16, 14 bits stored, MONOCHROME2.

    Raises
    ------
    ValueError
        Where an argument lies outside its range or the teeth do not fit one view.
    """
    if not 0 < exposure <= 100:
        msg = f"exposure: expected above 0 to 100 times the right technique, got {exposure}"
        raise ValueError(msg)
    if not 0 <= cut_off <= 0.95:
        msg = f"cut_off: expected a share from 0 to 0.95, got {cut_off}"
        raise ValueError(msg)
    rng = np.random.default_rng(seed)
    view = lay_out(
        species,
        teeth,
        receptor_size=receptor_size,
        pixel_pitch_mm=pixel_pitch_mm,
        occlusal=occlusal,
        rng=rng,
    )
    signal = _transmission(view, rng)
    signal *= _field(view, rng, cut_off) * np.float32(exposure)
    return _store(_detect(signal, rng))


def draw_teeth(view: View, rng: np.random.Generator) -> ToothMaps:
    """Draw every tooth of ``view``; one animal's canals are alike in width."""
    maps = empty_maps(view)
    pulp_share = rng.uniform(0.16, 0.34)
    for place in view.teeth:
        share = 0.5 if place.tooth >= 500 else pulp_share * rng.uniform(0.9, 1.1)
        add_tooth(view, place, share, maps)
    return maps


def relative_signal(pixels: NDArray[np.uint16]) -> Field:
    """Give back the detector signal of stored values; 1 is open air at the right technique."""
    span = np.log(_SATURATION / _FAINTEST)
    signal = _SATURATION * np.exp(-pixels.astype(np.float32) * np.float32(span / _MAXIMUM))
    return np.asarray(signal, dtype=np.float32)


def _transmission(view: View, rng: np.random.Generator) -> Field:
    """Beam left behind the jaw, of 1 in open air.

    A small jaw is taken with softer rays than a large one, so bone comes to the same target.
    """
    teeth = draw_teeth(view, rng)
    bone = draw_bone(view, rng)
    hard = bone.compact + bone.spongy
    present = np.minimum(1.0, hard / np.float32(1.0))
    # A tooth displaces the bone it stands in; the plates outside it remain.
    kept = np.maximum(1.0 - 0.15 * teeth.socket, 0.3)
    attenuation = _SPONGY * bone.spongy * kept + _COMPACT * bone.compact * (0.4 + 0.6 * kept)
    attenuation += (
        _COMPACT * 0.6 * teeth.lamina * present * np.minimum(bone.spongy / _usual(bone.spongy), 1.4)
    )
    attenuation += _SOFT * bone.soft
    attenuation += _DENTINE * teeth.dentine + _ENAMEL * teeth.enamel + _PULP * teeth.pulp
    behind_bone = attenuation[hard > 1.0]
    typical = float(np.median(behind_bone)) if behind_bone.size else _TARGET_ATTENUATION
    attenuation *= np.float32(_TARGET_ATTENUATION / typical)
    turned = attenuation[:: -1 if view.jaw == "upper" else 1, :: -1 if view.mirrored else 1]
    return np.asarray(np.exp(-np.ascontiguousarray(turned)), dtype=np.float32)


def _usual(field: Field) -> np.float32:
    """Give a middle value of the parts that are not empty."""
    some = field[::8, ::8]
    some = some[some > 0.3]
    return np.float32(np.median(some) if some.size else 1.0)


def _field(view: View, rng: np.random.Generator, cut_off: float) -> Field:
    """Beam over the receptor: heel gradient, and the share that the cone misses."""
    x = np.linspace(-1, 1, view.columns, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, view.rows, dtype=np.float32)[:, None]
    angle = rng.uniform(0, 2 * np.pi)
    tilt = np.float32(np.cos(angle)) * x + np.float32(np.sin(angle)) * y
    beam = np.asarray(1.0 + 0.07 * tilt - 0.03 * tilt * tilt, dtype=np.float32)
    # Drawn whether used or not, so that the rest of the picture does not depend on `cut_off`.
    away, round_cone = rng.uniform(0, 2 * np.pi), rng.random() < 0.7
    if not cut_off:
        return beam
    half_width = view.columns * view.pixel_pitch_mm / 2
    half_height = view.rows * view.pixel_pitch_mm / 2
    along = np.float32(np.cos(away) * half_width) * x + np.float32(np.sin(away) * half_height) * y
    if round_cone:
        # A 60 mm circle whose middle has slid away from the receptor's.
        slide = 0.6 * np.hypot(half_width, half_height)
        distance = np.hypot(
            half_width * x + np.float32(slide * np.cos(away)),
            half_height * y + np.float32(slide * np.sin(away)),
        )
    else:
        distance = along
    edge = float(np.quantile(distance, 1.0 - cut_off))
    return beam * step(np.asarray(distance, dtype=np.float32), edge + 0.3, edge - 0.3)


def _detect(signal: Field, rng: np.random.Generator) -> Field:
    """Blur by focal spot and scintillator, then quantum, pattern and read noise."""
    signal = blur(signal, 0.22)
    quantum = rng.standard_normal(signal.shape, dtype=np.float32)
    quantum *= np.sqrt(signal / np.float32(_QUANTA_AT_ONE))
    signal += quantum
    signal = blur(signal, 0.12)
    read = rng.standard_normal(signal.shape, dtype=np.float32)
    read *= np.float32(_READ_NOISE)
    columns = rng.standard_normal((1, signal.shape[1]), dtype=np.float32) * np.float32(0.0012)
    return np.asarray(signal * (1 + columns) + read + _LEAKAGE, dtype=np.float32)


def _store(signal: Field) -> NDArray[np.uint16]:
    span = np.log(_SATURATION / _FAINTEST)
    np.clip(signal, _FAINTEST, _SATURATION, out=signal)
    np.log(signal, out=signal)
    np.subtract(np.float32(np.log(_SATURATION)), signal, out=signal)
    signal *= np.float32(_MAXIMUM / span)
    return np.rint(signal).astype(np.uint16)
