"""Smooth scalar fields on the picture's grid: steps, blurs, textures and rounded thickness."""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Field: TypeAlias = NDArray[np.float32]


def step(value: NDArray[np.floating], start: float, end: float) -> Field:
    """Rise smoothly from 0 at ``start`` to 1 at ``end``; falls where ``end`` lies below."""
    t = np.clip((value - np.float32(start)) / np.float32(end - start), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), dtype=np.float32)


def bell(value: Field, centre: float | Field, half_width: float) -> Field:
    """Give a bell of height 1 around ``centre``."""
    t = np.asarray((value - centre) / np.float32(half_width), dtype=np.float32)
    return np.asarray(np.exp(-t * t), dtype=np.float32)


def rounded(offset: Field, half_width: Field, depth: Field) -> Field:
    """Thickness of a rounded body: ``depth`` in the middle, falling to 0 at ``half_width``.

    The edge is steeper than an ellipse's so that outlines stay readable. All in mm.
    """
    inside = np.asarray(np.maximum(half_width, 1e-6), dtype=np.float32)
    t = np.asarray(offset / inside, dtype=np.float32)
    t *= t
    np.subtract(np.float32(1.0), t * np.abs(t), out=t)
    np.maximum(t, 0.0, out=t)
    np.sqrt(t, out=t)
    t *= np.where(half_width > 0, depth, np.float32(0.0))
    return t


def blur(field: Field, weight: float) -> Field:
    """Blur by a three-tap kernel whose side taps are ``weight`` (0 to 0.33), both ways."""
    side = np.float32(weight)
    middle = np.float32(1.0 - 2.0 * weight)
    out = field * middle
    out[1:] += side * field[:-1]
    out[:-1] += side * field[1:]
    out[0] += side * field[0]
    out[-1] += side * field[-1]
    across = out * middle
    across[:, 1:] += side * out[:, :-1]
    across[:, :-1] += side * out[:, 1:]
    across[:, 0] += side * out[:, 0]
    across[:, -1] += side * out[:, -1]
    return across


def wander(x_mm: Field, rng: np.random.Generator, amplitude_mm: float, length_mm: float) -> Field:
    """Draw a slow random line over ``x_mm``: a few sine waves of about ``length_mm``."""
    line = np.zeros_like(x_mm)
    for _ in range(4):
        wave = length_mm * rng.uniform(0.6, 2.2)
        line += np.sin(x_mm * (2 * np.pi / wave) + rng.uniform(0, 2 * np.pi)).astype(np.float32)
    return np.asarray(line * np.float32(amplitude_mm / 2.0), dtype=np.float32)


def band_noise(
    shape: tuple[int, int],
    pitch_mm: float,
    rng: np.random.Generator,
    wavelength_mm: float,
    stretch: float = 1.0,
) -> Field:
    """Draw noise of unit spread around one wavelength, ``stretch`` times longer along x.

    It is made on a grid three times coarser and enlarged: the texture has nothing finer.
    """
    rows, columns = -(-shape[0] // 3) + 2, -(-shape[1] // 3) + 2
    spectrum = np.fft.rfft2(rng.standard_normal((rows, columns), dtype=np.float32))
    along_y = np.fft.fftfreq(rows, pitch_mm * 3)[:, None]
    along_x = np.fft.rfftfreq(columns, pitch_mm * 3)[None, :] * stretch
    frequency = np.hypot(along_y, along_x) * wavelength_mm
    spectrum *= np.exp(-(((frequency - 1.0) / 0.45) ** 2))
    coarse = np.fft.irfft2(spectrum, s=(rows, columns)).astype(np.float32)
    coarse /= max(float(coarse.std()), 1e-9)
    return enlarge(coarse)[1 : shape[0] + 1, 1 : shape[1] + 1]


def enlarge(coarse: Field) -> Field:
    """Enlarge a field three times by straight lines between its samples."""
    third = np.float32(1 / 3)
    rows = np.empty((coarse.shape[0] * 3 - 2, coarse.shape[1]), dtype=np.float32)
    change = (coarse[1:] - coarse[:-1]) * third
    rows[::3] = coarse
    rows[1::3] = coarse[:-1] + change
    rows[2::3] = coarse[1:] - change
    out = np.empty((rows.shape[0], coarse.shape[1] * 3 - 2), dtype=np.float32)
    change = (rows[:, 1:] - rows[:, :-1]) * third
    out[:, ::3] = rows
    out[:, 1::3] = rows[:, :-1] + change
    out[:, 2::3] = rows[:, 1:] - change
    return out
