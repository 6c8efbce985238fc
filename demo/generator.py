"""The stand-in X-ray generator: tells each exposure by HTTP, by its own wrong clock."""

from datetime import datetime, timedelta
from typing import Annotated, Any

import typer

from demo.http_teller import HttpTeller, NotKept
from demo.stand_in import perform
from demo.story import RECEPTOR, ROOM, TUBE_CURRENT_MA, TUBE_KV, Shot, load_day
from schemas.facts import AnimalSize, ExposureEnded


class Generator:
    """One generator with the bridge that speaks for it. It knows no patient."""

    def __init__(
        self,
        door: HttpTeller,
        device: str,
        room: str,
        serial: str,
        operator: str,
        clock_ahead_s: float | None,
    ) -> None:
        self._door = door
        self._its = {
            "room": room,
            "generator": device,
            "generator_serial": serial,
            "operator": operator,
        }
        self._day = load_day()
        self._clock_ahead_s = clock_ahead_s
        self._counter = 4700  # as an invented device that has been in use
        self._kept_back: list[tuple[datetime, dict[str, Any]]] = []

    def expose(self, action: dict[str, Any]) -> dict[str, Any]:
        """Expose, and tell it: at once, later (``kept_back``), or badly (``garbled``)."""
        self._counter += 1
        shot = Shot.model_validate_json(action["shot"])
        exposure = ExposureEnded.model_validate(
            self._its
            | {
                "exposure_counter": self._counter,
                "preset": shot.preset,
                "receptor": RECEPTOR,
                "animal_size": AnimalSize(action["animal_size"]),
                "tube_kv": TUBE_KV,
                "tube_current_ma": TUBE_CURRENT_MA,
                "set_exposure_ms": shot.set_exposure_ms,
                "exposure_ms": shot.exposure_ms,
            }
        )
        told = exposure.model_dump(mode="json")
        own_clock = self._clock(shot.true_time)
        if action.get("kept_back"):
            self._kept_back.append((own_clock, told))
            return {"kept_back": len(self._kept_back)}
        if action.get("garbled"):
            return self._tell_badly(own_clock, told | {"tube_kv": f"{TUBE_KV:g} kV"})
        return self._tell(own_clock, told)

    def tell_kept_back(self, action: dict[str, Any]) -> dict[str, Any]:
        """Tell what was kept back, each ``times`` times: a bridge that lost the answers."""
        kept, self._kept_back = self._kept_back, []
        outcomes = [
            self._tell(own_clock, told)["outcome"]
            for own_clock, told in kept
            for _ in range(action["times"])
        ]
        return {"outcomes": outcomes}

    def _tell(self, own_clock: datetime, told: dict[str, Any]) -> dict[str, Any]:
        return self._door.tell(
            ExposureEnded.KIND,
            own_clock,
            told,
            ExposureEnded.VERSION,
            source_clock=own_clock.strftime("%Y-%m-%d %H:%M:%S"),
        )

    def _tell_badly(self, own_clock: datetime, told: dict[str, Any]) -> dict[str, Any]:
        try:
            self._tell(own_clock, told)
        except NotKept as refused:
            return {"refused": str(refused)}
        raise ValueError("expected what was told badly to be refused")

    def _clock(self, true_time: datetime) -> datetime:
        if self._clock_ahead_s is None:
            return self._day.generator_time(true_time)
        return true_time + timedelta(seconds=self._clock_ahead_s)


def main(
    url: Annotated[str, typer.Option()],
    device: Annotated[str, typer.Option()] = "generator-1",
    room: Annotated[str, typer.Option()] = ROOM,
    serial: Annotated[str, typer.Option()] = "INVENTED-GEN-1",
    operator: Annotated[str, typer.Option()] = "tech-1",
    clock_ahead_s: Annotated[
        float | None, typer.Option(help="How wrong its clock is; without it as demo/day.yaml says.")
    ] = None,
) -> None:
    """Expose when told, until the input ends."""
    door = HttpTeller(url, device)
    generator = Generator(door, device, room, serial, operator, clock_ahead_s)
    perform({"expose": generator.expose, "tell_kept_back": generator.tell_kept_back})


if __name__ == "__main__":
    typer.run(main)
