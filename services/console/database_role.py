"""What the console's own database role may do on PostgreSQL, as SQL for the store's owner.

With a role that owns nothing, not even a console that has been taken over can change what the
audit says: the triggers refuse it for everybody, and only the owner can take a trigger away
(PostgreSQL documentation, GRANT and DROP TRIGGER, from memory).
"""

import re
from typing import Final

from schemas.errors import InvalidInput

_ROLE: Final = re.compile(r"^[a-z_][a-z0-9_]{0,62}\Z")
_ADDED_ONLY: Final = ("runtime_audit", "runtime_deed")
_SHARED: Final = ("runtime_inbox", "runtime_outbox", "runtime_triage")


def grants(role: str) -> str:
    """Write the SQL that lets a role be the console's, and no more. Safe to repeat; to be run again
    after ``gomphosis migrate``, for tables that are new. Raises InvalidInput."""
    if not _ROLE.match(role):
        raise InvalidInput("role", role, "a role's name: lower case, digits and _, 63 at most")
    added, shared = ", ".join(_ADDED_ONLY), ", ".join(_SHARED)
    return f"""REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {role};
GRANT SELECT ON gomphosis_version TO {role};
GRANT SELECT, INSERT ON {added} TO {role};
GRANT SELECT, INSERT, UPDATE, DELETE ON {shared} TO {role};
DO $$
DECLARE own text;
BEGIN
  FOR own IN SELECT tablename FROM pg_tables
      WHERE schemaname = 'public' AND tablename LIKE 'console\\_%' LOOP
    EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO {role}', own);
  END LOOP;
END $$;
GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {role};
"""  # noqa: S608 - the name was looked at above
