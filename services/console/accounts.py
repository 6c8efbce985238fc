"""Who may sign in: the people of ``group.yaml`` who have a password or an identity elsewhere."""

from dataclasses import dataclass

from schemas.group import Group, Person, Site
from services.runtime.passwords import Passwords


@dataclass(frozen=True, slots=True)
class Account:
    """A person of a site."""

    site: Site
    person: Person

    @property
    def key(self) -> str:
        """Name the person in the whole group, as intake wants it: ``site/name``."""
        return f"{self.site.name}/{self.person.name}"


def find_account(group: Group, site: str, name: str) -> Account | None:
    """Find a person of a site's staff."""
    found = group.person(site, name)
    return None if found is None else Account(*found)


def prove_password(
    group: Group, passwords: Passwords, site: str, name: str, password: str
) -> Account | None:
    """Give the account whose password this is; as slow where there is no such person."""
    account = find_account(group, site, name)
    stored = None if account is None else account.person.password_argon2
    return account if passwords.matches(stored, password) else None


def account_of_subject(group: Group, subject: str) -> Account | None:
    """Find the one person whom an identity provider calls by this name."""
    for site in group.sites:
        for person in site.people:
            if person.oidc_subject == subject:
                return Account(site, person)
    return None
