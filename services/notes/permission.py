"""Who may write in a note: a vet of the site, in the vet's own name."""

from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts.desk import NoteAddended, NoteAmended, NoteSigned
from schemas.group import Role, Site
from services.notes.wording import person_of


def check_author(fact: Message[Payload], site: Site) -> None:
    """Refuse a fact of anybody but a vet of the site, or in another's name.

    Raises InvalidInput naming ``payload.signer``, ``source.name`` or ``kind``.
    """
    payload = fact.payload
    if isinstance(payload, NoteSigned | NoteAddended):
        _check_vet("payload.signer", payload.signer, site)
        if fact.source.name != payload.signer:
            raise InvalidInput(
                "payload.signer", payload.signer, f"the person who sent it, {fact.source.name}"
            )
    elif not isinstance(payload, NoteAmended):
        raise InvalidInput("kind", fact.kind, "a fact of the notes desk")
    if fact.source.kind != "person":
        raise InvalidInput("source.kind", fact.source.kind, "person: only a vet writes in a note")
    _check_vet("source.name", fact.source.name, site)


def _check_vet(field: str, name: str, site: Site) -> None:
    person = person_of(site, name)
    if person is None or Role.VET not in person.roles:
        raise InvalidInput(field, name, f"a person with the role vet at site {site.name}")
