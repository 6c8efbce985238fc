"""A room's exposures and images in time order, with all that is weighed of them before linking."""

from collections.abc import Sequence
from dataclasses import replace

from services.assessment.batch_scans import Batch, find_batches
from services.assessment.clock_offset import Clocks
from services.assessment.day_signs import rates_of
from services.assessment.pairing_scores import MAKES_IMAGE, Agreement, Exposure, Image
from services.assessment.room_clocks import RoomClocks


class WeighedRoom:
    """One room's members by place: their clocks, batches, and what the day shows.

    ``exposure_s`` and ``image_s`` are times on one common clock, ``line_s`` those of exposures that
    never run back; ``in_batch`` the places of images scanned in a batch. All in seconds.
    """

    def __init__(
        self, exposures: Sequence[Exposure], images: Sequence[Image], clocks: Clocks
    ) -> None:
        self.exposures, self.images = exposures, images
        self.agreement = Agreement(exposures, images)
        self._weigh(RoomClocks(exposures, images, clocks, self.agreement))
        if self.in_batch:
            # Once more without them: among many images close together any clock finds some.
            again = RoomClocks(exposures, images, clocks, self.agreement, self.in_batch)
            self._weigh(again, self.batches)
        self.rates = rates_of(exposures, self.image_s, self.explained, self.in_batch, self.clocks)

    def _weigh(self, clocks: RoomClocks, batches: list[Batch] | None = None) -> None:
        self.clocks = clocks
        self.exposure_s, self.image_s = clocks.common_times_s()
        self.line_s = clocks.line_s(self.exposure_s)
        self.explained = clocks.explained()
        if batches is None:
            batches = find_batches(self.images, self.image_s, self.explained)
        self.batches = [replace(one, began_s=float(self.image_s[one.images[0]])) for one in batches]
        self.in_batch = {place for batch in batches for place in batch.images}

    def makes_image(self, place: int) -> float:
        """Give the chance that an exposure makes an image on this day."""
        usual = self.exposures[place].makes_image
        return min(usual, 1.0 - self.rates.lost) if usual >= MAKES_IMAGE else usual
