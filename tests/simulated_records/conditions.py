"""How often a simulated record and its staff go wrong. Every share is invented.

``TUNED`` are the conditions that the matching's weights were counted on; ``HELD_OUT`` are others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final


@dataclass(frozen=True, slots=True)
class Conditions:
    """Shares from 0 to 1: of the posted lines in the first part, of what happened in the second.

    ``by_hand_instead``: of the lines that are lost, rejected or waiting, how many a person enters.
    """

    studies_a_day: int = 14
    days: int = 30
    most_views: int = 14
    revised: float = 0.04
    training: float = 0.02
    comes_again: float = 0.05
    lost: float = 0.01
    doubled: float = 0.01
    late: float = 0.01
    amount_edited: float = 0.01
    code_edited: float = 0.01
    rejected: float = 0.01
    other_patient: float = 0.005
    waiting: float = 0.01
    by_hand_instead: float = 0.5
    doubled_by_hand: float = 0.01
    unsupported_by_hand: float = 0.06
    taken_off_by_hand: float = 0.2
    hand_code_of_family: float = 0.05
    hand_day_off: float = 0.12
    hand_amount_slip: float = 0.05
    hand_quantity_slip: float = 0.03
    hand_other_patient: float = 0.03


TUNED: Final[dict[str, Conditions]] = {
    "ordinary": Conditions(),
    "record bad": Conditions(lost=0.04, doubled=0.04, rejected=0.03, other_patient=0.02),
    "careful staff": Conditions(
        hand_code_of_family=0.01, hand_day_off=0.02, hand_amount_slip=0.01, hand_quantity_slip=0.0
    ),
}

HELD_OUT: Final[dict[str, Conditions]] = {
    "busy": Conditions(studies_a_day=40),
    "tired staff": Conditions(
        by_hand_instead=0.9, hand_day_off=0.25, hand_amount_slip=0.1, hand_code_of_family=0.1
    ),
    "record very bad": replace(
        TUNED["record bad"], lost=0.1, doubled=0.1, amount_edited=0.05, code_edited=0.05
    ),
    "nothing wrong": Conditions(
        lost=0.0, doubled=0.0, late=0.0, amount_edited=0.0, code_edited=0.0, rejected=0.0,
        other_patient=0.0, waiting=0.0, doubled_by_hand=0.0, unsupported_by_hand=0.0,
    ),
}  # fmt: skip
