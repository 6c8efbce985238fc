"""Clocks of one generator and one station of which all is known, for tests of what follows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.assessment.clock_offset import Clocks, Floats
from services.assessment.clock_tracks import Belief, Track, sightings
from services.assessment.link_judgement import DayRates
from services.assessment.pairing_scores import Agreement, Exposure, Image
from services.assessment.room_clocks import ClockPair, RoomClocks
from services.assessment.weighed_room import WeighedRoom

SPREAD_S = 1.0


@dataclass(frozen=True)
class KnownTrack:
    """A track that holds all day: what is believed of it at each exposure, or at all alike."""

    ahead_s: float = 0.0
    others: float | Sequence[float] = 1.0
    held: float | Sequence[float] = 1.0
    support: float = 10.0


def known_clocks(
    exposures: Sequence[Exposure], images: Sequence[Image], *tracks: KnownTrack
) -> RoomClocks:
    """Give the clocks of a room's members, in order of time, that have these tracks."""
    clocks = RoomClocks(exposures, images, Clocks.of(()), Agreement(exposures, images))
    clocks.pairs = [_pair(clocks.exposure_s, clocks.image_s, tracks)]
    return clocks


def known_room(
    exposures: Sequence[Exposure],
    images: Sequence[Image],
    rates: DayRates,
    *tracks: KnownTrack,
) -> WeighedRoom:
    """Give a room whose clocks have these tracks, on a day with these rates."""
    room = WeighedRoom(exposures, images, Clocks.of(()))
    room.clocks.pairs = [_pair(room.clocks.exposure_s, room.clocks.image_s, tracks)]
    room.line_s = room.clocks.exposure_s
    room.rates = rates
    return room


def _pair(exposure_s: Floats, image_s: Floats, told: Sequence[KnownTrack]) -> ClockPair:
    tracks = tuple(Track(one.ahead_s, 0.0, 0.0) for one in told)
    count = len(exposure_s)

    def columns(shares: Sequence[float | Sequence[float]]) -> Floats:
        return np.column_stack([np.broadcast_to(np.asarray(one), (count,)) for one in shares])

    belief = Belief(
        tracks,
        tuple(sightings(track, exposure_s, image_s) for track in tracks),
        columns([one.others for one in told]),
        columns([one.held for one in told]),
        tuple(one.support for one in told),
        SPREAD_S,
    )
    places_e, places_i = np.arange(count), np.arange(len(image_s))
    return ClockPair("generator-1", "station-1", places_e, places_i, belief)
