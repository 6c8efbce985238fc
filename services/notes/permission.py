"""Who may write in a note: a vet of the site in the vet's own name; a trainee, but not the end."""

from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts.desk import NoteAddended, NoteAmended, NoteSigned
from schemas.group import Person, Role, Site
from services.notes.wording import person_of


def check_author(fact: Message[Payload], site: Site) -> Person:
    """Refuse a fact of anybody but a vet or trainee of the site, or in another's name.

    A trainee amends and signs, and a vet signs after it; an addendum is a vet's alone. Raises
    InvalidInput naming ``payload.signer``, ``source.name``, ``payload.reauthenticated_at`` or
    ``kind``.
    """
    payload = fact.payload
    if isinstance(payload, NoteSigned | NoteAddended):
        _check_signer(fact, payload, site)
    elif not isinstance(payload, NoteAmended):
        raise InvalidInput("kind", fact.kind, "a fact of the notes desk")
    if fact.source.kind != "person":
        raise InvalidInput("source.kind", fact.source.kind, "person: only a vet writes in a note")
    return _author("source.name", fact.source.name, site)


def _check_signer(fact: Message[Payload], payload: NoteSigned | NoteAddended, site: Site) -> None:
    signer = _author("payload.signer", payload.signer, site)
    if isinstance(payload, NoteAddended) and not signer.signs_alone:
        raise InvalidInput(
            "payload.signer",
            payload.signer,
            "a vet whose signature stands alone; a trainee's addendum is told by a vet",
        )
    if fact.source.name != payload.signer:
        raise InvalidInput(
            "payload.signer", payload.signer, f"the person who sent it, {fact.source.name}"
        )
    if payload.reauthenticated_at is None:
        raise InvalidInput(
            "payload.reauthenticated_at",
            None,
            "the moment at which the signer proved anew who they are: sign again, by HTTP",
        )


def _author(field: str, name: str, site: Site) -> Person:
    person = person_of(site, name)
    if person is None or not {Role.VET, Role.TRAINEE} & set(person.roles):
        expected = f"a person with the role vet (or trainee, before a vet) at site {site.name}"
        raise InvalidInput(field, name, expected)
    return person
