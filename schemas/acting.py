"""How a console tells intake for whom it speaks: two headers beside its own token.

Names that no registered header has (IANA, HTTP field names, looked at from memory).
"""

from typing import Final

ACTING_PERSON: Final = "Acting-Person"
"""``<site>/<name>`` of the person who is signed in."""

ACTING_AT: Final = "Acting-At"
"""The site that the fact is about; left out, the person's own."""
