"""The stand-in imaging station: asks the worklist (C-FIND) and sends its images (C-STORE)."""

import hashlib
from datetime import timedelta
from typing import Annotated, Any

import typer
from pydicom.dataset import Dataset
from pydicom.uid import DigitalIntraOralXRayImageStorageForPresentation, ExplicitVRLittleEndian
from pynetdicom import AE
from pynetdicom.association import Association
from pynetdicom.sop_class import ModalityWorklistInformationFind, Verification

from demo.intraoral_object import Acquisition, code_value, intraoral_object
from demo.stand_in import perform
from demo.story import TUBE_CURRENT_MA, TUBE_KV, Shot, invented_uid, load_day
from demo.synthetic_image import render_view
from schemas.plans import load_plans

PIXEL_PITCH_MM = 0.05
IMAGE_AFTER_EXPOSURE_S = 2.1
_TITLE = "INVSTATION1"


class Station:
    """One station with one association to the service, kept open as stations do."""

    def __init__(
        self,
        host: str,
        port: int,
        title: str = _TITLE,
        called: str = "GOMPHOSIS",
        clock_ahead_s: float | None = None,
    ) -> None:
        ahead_s = load_day().station_clock_ahead_s if clock_ahead_s is None else clock_ahead_s
        self._clock_ahead = timedelta(seconds=ahead_s)
        self._host = host
        self._port = port
        self._title = title
        self._called = called
        self._entity = AE(ae_title=title)
        self._entity.add_requested_context(Verification)
        self._entity.add_requested_context(ModalityWorklistInformationFind)
        self._entity.add_requested_context(
            DigitalIntraOralXRayImageStorageForPresentation, ExplicitVRLittleEndian
        )
        self._association: Association | None = None
        self._numbers: dict[str, int] = {}
        self._scheduled: dict[str, Dataset] = {}
        self._unsent: list[Dataset] = []
        self._plans = load_plans()

    def worklist(self, action: dict[str, Any]) -> dict[str, Any]:
        """Ask what is planned for an accession number; answer with the planned views.

        With ``of_the_house`` it asks for what is planned at any station, not at this one alone.
        """
        query = Dataset()
        query.AccessionNumber = action["accession_number"]
        for keyword in (
            "PatientName",
            "PatientID",
            "PatientBirthDate",
            "PatientSex",
            "PatientSexNeutered",
            "PatientSpeciesDescription",
            "PatientBreedDescription",
            "ResponsiblePerson",
            "ResponsiblePersonRole",
            "ResponsibleOrganization",
            "StudyInstanceUID",
            "RequestedProcedureID",
            "ReferringPhysicianName",
        ):
            setattr(query, keyword, "")
        query.PatientSpeciesCodeSequence = [_code_keys()]
        query.PatientBreedCodeSequence = [_code_keys()]
        query.BreedRegistrationSequence = []
        step = Dataset()
        step.Modality = "IO"
        step.ScheduledStationAETitle = "" if action.get("of_the_house") else self._title
        step.ScheduledProcedureStepStartDate = ""
        step.ScheduledProcedureStepStartTime = ""
        step.ScheduledProcedureStepID = ""
        step.ScheduledProcedureStepDescription = ""
        step.ScheduledProtocolCodeSequence = [_code_keys()]
        query.ScheduledProcedureStepSequence = [step]
        found = [
            identifier
            for status, identifier in self._open().send_c_find(
                query, ModalityWorklistInformationFind
            )
            if status and status.Status in {0xFF00, 0xFF01} and identifier is not None
        ]
        if len(found) != 1:
            raise LookupError(f"worklist: expected one planned step, got {len(found)}")
        self._scheduled[action["accession_number"]] = found[0]
        planned = found[0].ScheduledProcedureStepSequence[0].ScheduledProtocolCodeSequence
        return {"views": [code_value(item) for item in planned]}

    def image(self, action: dict[str, Any]) -> dict[str, Any]:
        """Make the image of a shot and send it, or keep it back for later."""
        shot = Shot.model_validate_json(action["shot"])
        dataset = self._make(action["accession_number"], action["plan"], shot)
        if shot.late:
            self._unsent.append(dataset)
            return {"kept_back": dataset.SOPInstanceUID}
        self._send(dataset)
        return {"stored": dataset.SOPInstanceUID}

    def send_late(self, _action: dict[str, Any]) -> dict[str, Any]:
        late, self._unsent = self._unsent, []
        for dataset in late:
            self._send(dataset)
        return {"stored": [dataset.SOPInstanceUID for dataset in late]}

    def _make(self, accession_number: str, plan_code: str, shot: Shot) -> Dataset:
        scheduled = self._scheduled[accession_number]
        number = self._numbers[accession_number] = self._numbers.get(accession_number, 0) + 1
        plan = self._plans[plan_code]
        view = plan.view(shot.view)
        if view is None:
            raise LookupError(f"view {shot.view}: expected a view of {plan_code}")
        # UIDs are made from names: those of two stations must not be the same.
        own = "" if self._title == _TITLE else f"{self._title} "
        name = f"{own}{accession_number} image {number}"
        pixels = render_view(
            plan.species.value,
            view.teeth,
            receptor_size=view.receptor_size,
            pixel_pitch_mm=PIXEL_PITCH_MM,
            seed=int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big"),
            cut_off=0.3 if shot.rejected else 0.0,
        )
        acquisition = Acquisition(
            scheduled=scheduled,
            view=view,
            labelled=shot.labelled,
            sop_instance_uid=invented_uid(name),
            series_instance_uid=invented_uid(f"{own}{accession_number} series"),
            number=number,
            acquired_at=shot.image_time(IMAGE_AFTER_EXPOSURE_S) + self._clock_ahead,
            tube_kv=TUBE_KV,
            tube_current_ma=TUBE_CURRENT_MA,
            exposure_ms=shot.exposure_ms,
            pixel_pitch_mm=PIXEL_PITCH_MM,
        )
        return intraoral_object(acquisition, pixels)

    def _send(self, dataset: Dataset) -> None:
        status = self._open().send_c_store(dataset)
        if not status or status.Status != 0x0000:
            told = f"{status.Status:04X} {status.get('ErrorComment', '')}" if status else "none"
            raise ConnectionError(f"C-STORE: expected status 0000, got {told}")

    def _open(self) -> Association:
        if self._association is None or not self._association.is_established:
            self._association = self._entity.associate(
                self._host, self._port, ae_title=self._called
            )
        if not self._association.is_established:
            raise ConnectionError("association: expected it to be accepted")
        return self._association

    def close(self) -> None:
        if self._association is not None and self._association.is_established:
            self._association.release()


def _code_keys() -> Dataset:
    """Ask for a code's parts, as return keys (PS3.4 annex K)."""
    keys = Dataset()
    keys.CodeValue = keys.LongCodeValue = keys.CodingSchemeDesignator = keys.CodeMeaning = ""
    return keys


def main(
    host: Annotated[str, typer.Option()],
    port: Annotated[int, typer.Option()],
    title: Annotated[str, typer.Option()] = _TITLE,
    called: Annotated[str, typer.Option()] = "GOMPHOSIS",
    clock_ahead_s: Annotated[
        float | None, typer.Option(help="How wrong its clock is; without it as demo/day.yaml says.")
    ] = None,
) -> None:
    """Query and send when told, until the input ends."""
    station = Station(host, port, title, called, clock_ahead_s)
    try:
        perform(
            {
                "worklist": station.worklist,
                "image": station.image,
                "send_late": station.send_late,
            }
        )
    finally:
        station.close()


if __name__ == "__main__":
    typer.run(main)
