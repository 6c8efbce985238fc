"""``group.yaml`` changed as a whole or not at all: checked, compared, the one of before kept."""

import difflib
import fcntl
import hashlib
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from schemas.errors import GomphosisError, InvalidInput
from schemas.group import Group, Site, load_group
from schemas.limits import load_dose_limits
from schemas.tariffs import load_tariffs
from schemas.techniques import load_site_chart
from services.runtime.folders import sync_folder
from services.runtime.live_group import GROUP_FILE, check_change

VERSIONS: Final = "group-versions"
_OWN_LIMITS: Final = "group_default"


class GroupNotWritten(GomphosisError):  # noqa: N818 - an answer for a person
    """The folder of the group cannot be written from here."""


class GroupChanged(GomphosisError):  # noqa: N818 - an answer for a person
    """Somebody changed the file since the form was made."""


def read_text(folder: Path) -> tuple[str, str]:
    """Give the file's text and the hash of its bytes. Raises InvalidInput."""
    file = folder / GROUP_FILE
    try:
        content = file.read_bytes()
        return content.decode("utf-8"), hashlib.sha256(content).hexdigest()
    except (OSError, UnicodeDecodeError) as error:
        raise InvalidInput(str(file), str(error), "a UTF-8 file that can be read") from error


def check_text(folder: Path, text: str, old: Group) -> Group:
    """Read a new text by the contract, as the services will. Raises InvalidInput."""
    with TemporaryDirectory() as place:
        (Path(place) / GROUP_FILE).write_text(text, encoding="utf-8")
        new = load_group(Path(place))
    check_change(old, new)
    known = {site.name: site for site in old.sites}
    changed = [site for site in new.sites if site != known.get(site.name)]
    _check_rules(changed, folder)
    return new


def difference(before: str, after: str) -> list[str]:
    """Give the lines that differ, with three of each side around them."""
    lines = difflib.unified_diff(
        before.splitlines(), after.splitlines(), "in force", "new", lineterm="", n=3
    )
    return list(lines)


def write(folder: Path, text: str, expected_sha256: str, now: datetime) -> Path:
    """Put a new text in the file's place, durably; give where the version of before lies.

    Raises GroupChanged where the file is not what ``expected_sha256`` says any more, and
    GroupNotWritten where the folder cannot be written.
    """
    file = folder / GROUP_FILE
    try:
        with _alone(folder):
            before, sha256 = read_text(folder)
            if sha256 != expected_sha256:
                raise GroupChanged("group.yaml was changed since this form was made")
            kept = folder / VERSIONS / f"group-{now:%Y%m%dT%H%M%SZ}-{sha256[:8]}.yaml"
            kept.parent.mkdir(exist_ok=True)
            _put(kept, before, file.stat().st_mode)
            _put(file, text, file.stat().st_mode)
    except OSError as error:
        raise GroupNotWritten(f"{folder}: {error.strerror}") from error
    return kept


def versions(folder: Path, most: int = 20) -> list[str]:
    """Name the newest versions that are kept."""
    kept = folder / VERSIONS
    if not kept.is_dir():
        return []
    return sorted((one.name for one in kept.glob("group-*.yaml")), reverse=True)[:most]


def is_writable(folder: Path) -> bool:
    """Tell whether the file can be replaced from here."""
    return os.access(folder, os.W_OK)


def tariff_codes(folder: Path) -> list[str]:
    """Name the tariffs that there are. Raises InvalidInput."""
    own = folder / "tariffs"
    return sorted(load_tariffs(own if own.is_dir() else None))


def _check_rules(sites: Sequence[Site], folder: Path) -> None:
    """Make sure that what sites name is there, so that no service refuses it later."""
    tariffs = tariff_codes(folder) if sites else []
    for site in sites:
        if site.tariff not in tariffs:
            raise InvalidInput("tariff", site.tariff, f"one of {', '.join(tariffs)}")
        if site.limits != _OWN_LIMITS:
            load_dose_limits(folder / "limits" / f"{site.limits}.yaml")
        load_site_chart(site, folder)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    descriptor = os.open(folder / ".group.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _put(file: Path, text: str, mode: int) -> None:
    """Write a file beside and rename it, so that nobody reads half of it."""
    beside = file.with_name(f".{file.name}.new")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
    with os.fdopen(descriptor, "wb") as opened:
        opened.write(text.encode())
        opened.flush()
        os.fchmod(opened.fileno(), mode & 0o777)
        os.fsync(opened.fileno())
    beside.replace(file)
    sync_folder(file.parent)
