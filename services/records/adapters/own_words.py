"""What a code of ours means in plain words, beside the record's own code of it. Pure."""

from schemas.mappings.record_code import Table
from schemas.teeth import tooth_name


def own_words(table: Table, ours: str) -> str:
    """Name a tooth in words; any other code of ours is its own words."""
    return tooth_name(int(ours)) if table is Table.TEETH else ours
