"""The stand-in patient record of the three hospitals: a folder, and a mind of its own.

It places orders and corrects a weight by HTTP, reads what is posted to its folder, refuses a
charge in its own words, and is away for a while.
"""

import json
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from demo.http_teller import HttpTeller
from demo.record import Record, content_of
from demo.stand_in import perform

SHARE: Final = "record-share"
AWAY: Final = "record-away"


def lay_out(folder: Path) -> None:
    """Make what the record's folder leads to: the share, and what is there while it is away."""
    folder.with_name(SHARE).mkdir()
    folder.with_name(AWAY).write_text("the invented record is away\n", encoding="utf-8")
    mount(folder, SHARE)


def mount(folder: Path, where: str) -> None:
    """Let the record's folder lead there from now on, in one step."""
    link = folder.with_name("record-link")
    link.symlink_to(where)
    link.replace(folder)


class EveningRecord(Record):
    """The record's side of the folder."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._own = folder

    def held(self, action: dict[str, Any]) -> dict[str, Any]:
        """Tell what it holds of a study; an entry that it has refused is not held."""
        study = action["study_instance_uid"]
        refused = {self._key(path) for path in self._refused(study)}
        ledger = [one for one in self.ledger(study) if one["posting_key"] not in refused]
        files = len(list(self.charge_files(study)))
        return {"charges": ledger, "notes": self.notes(study), "files": files}

    def refuse(self, action: dict[str, Any]) -> dict[str, Any]:
        """Refuse the first charge of a study, in words."""
        first = min(self.charge_files(action["study_instance_uid"]), key=_position)
        answer = first.with_name(f"{first.name}.answer.json")
        part = answer.with_suffix(".part")
        told = {"outcome": "rejected", "words": action["words"]}
        part.write_text(json.dumps(told), encoding="utf-8")
        part.rename(answer)
        return {"refused": self._key(first)}

    def mend(self, action: dict[str, Any]) -> dict[str, Any]:
        """Mend the cause: what was refused would now be taken."""
        refused = self._refused(action["study_instance_uid"])
        for path in refused:
            for suffix in ("", ".taken"):
                path.with_name(f"{path.name}.answer.json{suffix}").unlink(missing_ok=True)
        return {"mended": len(refused)}

    def go_away(self, _action: dict[str, Any]) -> dict[str, Any]:
        """Be away, as a share that is not mounted: at its place stands what is no folder."""
        mount(self._own, AWAY)
        return {}

    def come_back(self, _action: dict[str, Any]) -> dict[str, Any]:
        mount(self._own, SHARE)
        return {}

    def _refused(self, study: str) -> list[Path]:
        return [
            path
            for path in self.charge_files(study)
            if any(
                path.with_name(f"{path.name}.answer.json{suffix}").exists()
                for suffix in ("", ".taken")
            )
        ]

    def _key(self, path: Path) -> str:
        return str(content_of(path)["content"]["entry"]["posting_key"])


def _position(path: Path) -> int:
    return int(content_of(path)["position"])


def main(url: Annotated[str, typer.Option()], folder: Annotated[Path, typer.Option()]) -> None:
    """Do what is told, until the input ends."""
    record = EveningRecord(folder)
    doors: dict[str, HttpTeller] = {}

    def tell(action: dict[str, Any]) -> dict[str, Any]:
        """Tell a fact as the record of one hospital."""
        door = doors.setdefault(action["holder"], HttpTeller(url, action["holder"]))
        at = datetime.fromisoformat(action["at"])
        return door.tell(action["kind"], at, action["payload"], action["version"])

    perform(
        {
            "tell": tell,
            "held": record.held,
            "refuse": record.refuse,
            "mend": record.mend,
            "go_away": record.go_away,
            "come_back": record.come_back,
        }
    )


if __name__ == "__main__":
    typer.run(main)
