"""The stand-in patient record: it places orders by HTTP and reads what is posted to its folder.

At the day's end it files what it holds under names that people can read.
"""

import csv
import json
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Any

import typer

from demo.http_teller import HttpTeller
from demo.stand_in import perform
from demo.story import ROOM, Visit, load_day, order_of


class Record:
    """The folder that the service posts to, read as the record side would read it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def charge_files(self, study_instance_uid: str) -> list[Path]:
        """Give the files of the entries posted for a study, in no order."""
        found = self._folder.glob(f"charges/*/{study_instance_uid}/*.json")
        return [path for path in found if not path.name.endswith(".answer.json")]

    def ledger(self, study_instance_uid: str) -> list[dict[str, Any]]:
        """Give the entries held for a study, in order of posting."""
        entries = [content_of(path) for path in self.charge_files(study_instance_uid)]
        return [
            {**one["content"]["entry"], "currency": one["content"]["currency"]}
            for one in sorted(entries, key=lambda entry: int(entry["position"]))
        ]

    def notes(self, study_instance_uid: str) -> list[dict[str, Any]]:
        """Give the note's revisions held for a study, oldest first."""
        found = []
        for path in self._folder.glob(f"notes/*/{study_instance_uid}/*.json"):
            if not path.name.endswith(".answer.json"):
                content = content_of(path)["content"]
                found.append({**content["note"], "file": str(path.with_suffix(""))})
        return sorted(found, key=lambda note: int(note["revision"]))

    def file(self, visits: list[Visit]) -> None:
        """Copy the newest notes and all charges to where the day's summary points."""
        filed = self._folder.with_name("filed")
        (filed / "notes").mkdir(parents=True, exist_ok=True)
        (filed / "charges").mkdir(parents=True, exist_ok=True)
        for visit in visits:
            notes = self.notes(visit.study_instance_uid)
            for suffix in (".html", ".txt"):
                if notes:
                    body = Path(notes[-1]["file"] + suffix).read_text(encoding="utf-8")
                    (filed / "notes" / f"{filed_name(visit)}{suffix}").write_text(body, "utf-8")
            self._write_charges(filed / "charges" / f"{filed_name(visit)}.csv", visit)

    def _write_charges(self, path: Path, visit: Visit) -> None:
        with path.open("w", encoding="utf-8", newline="") as file:
            table = csv.writer(file)
            table.writerow(
                ["day", "patient", "type", "code", "description", "quantity", "amount", "currency"]
            )
            for entry in self.ledger(visit.study_instance_uid):
                table.writerow(
                    [
                        entry["service_day"],
                        visit.patient.patient_id,
                        entry["type"],
                        entry["code"],
                        entry["description"],
                        entry["quantity"],
                        entry["amount"],
                        entry["currency"],
                    ]
                )


def content_of(path: Path) -> dict[str, Any]:
    """Read a file that was posted."""
    read: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return read


def filed_name(visit: Visit) -> str:
    return f"{visit.order_id}-{visit.patient.name.lower()}"


def main(url: Annotated[str, typer.Option()], folder: Annotated[Path, typer.Option()]) -> None:
    """Place orders, and tell what is held, when told, until the input ends."""
    day = load_day()
    door = HttpTeller(url, "record-1")
    record = Record(folder)

    def place(action: dict[str, Any]) -> dict[str, Any]:
        visit = Visit.model_validate_json(action["visit"])
        order = order_of(visit, ROOM, day.begins_at(visit), "vet-1")
        placed_at = day.begins_at(visit) - timedelta(hours=1)
        return door.tell(order.KIND, placed_at, order.model_dump(mode="json"))

    def held(action: dict[str, Any]) -> dict[str, Any]:
        study = action["study_instance_uid"]
        return {"charges": record.ledger(study), "notes": record.notes(study)}

    def file(action: dict[str, Any]) -> dict[str, Any]:
        record.file([Visit.model_validate_json(visit) for visit in action["visits"]])
        return {"filed": len(action["visits"])}

    perform({"place": place, "held": held, "file": file})


if __name__ == "__main__":
    typer.run(main)
