"""Why PostgreSQL lets nothing of ours pass, where only a person can mend that. Pure.

A connection that never stood tells no SQLSTATE, so it is known by libpq's and the server's English
words: of a wrong password and of a server without TLS as PostgreSQL 15 says them, the others from
memory. A server that speaks another language is taken for one that is away, its words in the log.
"""

from typing import Final

from services.records.port import RecordBarred

_CREDENTIALS: Final = (
    "credentials",
    "check the user and the password of the URL, and that the database lets them in from here",
)
_TLS: Final = (
    "tls",
    "look at sslmode, sslrootcert, sslcert and sslkey of the URL, and at the server's certificate",
)
_KNOWN: Final = {
    "authentication failed": _CREDENTIALS,
    "no pg_hba.conf entry": _CREDENTIALS,
    "no password supplied": _CREDENTIALS,
    "is not permitted to log in": _CREDENTIALS,
    "server does not support ssl": _TLS,
    "certificate": _TLS,
    "ssl error": _TLS,
}


def barred(where: str, words: str) -> RecordBarred | None:
    """Give what bars every posting, by the words of a connection that did not come about."""
    lower = words.lower()
    for known, (fault, next_action) in _KNOWN.items():
        if known in lower:
            return RecordBarred(fault, f"{where}: {words}", next_action)
    return None
