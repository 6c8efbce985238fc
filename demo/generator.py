"""The stand-in X-ray generator: tells each exposure by HTTP, by its own wrong clock."""

from datetime import datetime
from typing import Annotated, Any

import typer

from demo.http_teller import HttpTeller
from demo.stand_in import perform
from demo.story import RECEPTOR, ROOM, TUBE_CURRENT_MA, TUBE_KV, Shot, load_day
from schemas.facts import AnimalSize, ExposureEnded


def main(url: Annotated[str, typer.Option()]) -> None:
    """Expose when told, until the input ends."""
    day = load_day()
    door = HttpTeller(url, "generator-1")
    counter = 4700  # as an invented device that has been in use

    def expose(action: dict[str, Any]) -> dict[str, Any]:
        nonlocal counter
        counter += 1
        shot = Shot.model_validate_json(action["shot"])
        own_clock: datetime = day.generator_time(shot.true_time)
        exposure = ExposureEnded(
            room=ROOM,
            generator="generator-1",
            generator_serial="INVENTED-GEN-1",
            exposure_counter=counter,
            preset=shot.preset,
            receptor=RECEPTOR,
            animal_size=AnimalSize(action["animal_size"]),
            tube_kv=TUBE_KV,
            tube_current_ma=TUBE_CURRENT_MA,
            set_exposure_ms=shot.set_exposure_ms,
            exposure_ms=shot.exposure_ms,
            ended_early=shot.exposure_ms < shot.set_exposure_ms,
            operator="tech-1",
        )
        return door.tell(
            exposure.KIND,
            own_clock,
            exposure.model_dump(mode="json"),
            ExposureEnded.VERSION,
            source_clock=own_clock.strftime("%Y-%m-%d %H:%M:%S"),
        )

    perform({"expose": expose})


if __name__ == "__main__":
    typer.run(main)
