"""Synthetic intraoral radiographs of dogs and cats, all invented: none shows an animal.

The shapes and sizes are plausible drawings, not measurements: nothing here may teach, diagnose or
calibrate.
"""

from demo.synthetic_image.layout import RECEPTOR_SIZES_MM
from demo.synthetic_image.radiograph import STORED_BITS, relative_signal, render_view

__all__ = ["RECEPTOR_SIZES_MM", "STORED_BITS", "relative_signal", "render_view"]
