"""A day at three invented hospitals with planted troubles, told at its end on one page."""
