"""Which teeth an animal of an age has: the borders between deciduous, mixed and permanent.

Source (read): 'Approximate ages (in weeks) when teeth erupt in dogs and cats', teaching page
caminoanimalclinic.com/eruption-times-in-weeks: the first permanent teeth, the incisors, come at
12 to 16 weeks in the dog and 11 to 16 in the cat; teeth change from 3 to 7 months in the dog;
the cat's last, the molars, come at 20 to 24 weeks. That the cat's are all there by 6 months: a
university's timeline, cdn.citl.illinois.edu/courses/ANSC207 (read). Breeds and animals differ,
so the span in between is taken wide, and no tooth is taken for granted in it.
"""

from datetime import date
from typing import Final

from schemas.plans.model import PlannedDentition
from schemas.teeth import Species

CHANGING_FROM_DAYS: Final = {Species.DOG: 12 * 7, Species.CAT: 11 * 7}
"""Age in days at which the first permanent tooth may come."""

CHANGED_BY_DAYS: Final = {Species.DOG: 213, Species.CAT: 183}
"""Age in days by which all permanent teeth have come: 7 and 6 months."""


def dentition_at(species: Species, age_days: int) -> PlannedDentition:
    """Tell which teeth to plan for at an age in days (0 or more)."""
    if age_days < CHANGING_FROM_DAYS[species]:
        return PlannedDentition.DECIDUOUS
    if age_days < CHANGED_BY_DAYS[species]:
        return PlannedDentition.MIXED
    return PlannedDentition.PERMANENT


def age_days(born_on: date, on: date) -> int:
    """Give the age in days; negative where the birth date lies after the day."""
    return (on - born_on).days
