"""What a user may set, with defaults that are stated in every result that rests on them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from netcorr.errors import PositionError
from netcorr.speed.calibration import Calibration
from netcorr.speed.wave_speed import WaveSpeed

#: No more leaks than this can be known to be there: a survey does not tell more apart.
MOST_LEAKS = 4


@dataclass(frozen=True)
class LocateSettings:
    """How a survey is located.

    Attributes
    ----------
    temperature_c, temperature_sd_c : float
        Water temperature and its standard deviation. [degree C]
    map_accuracy_m : float
        Accuracy of the map, by which areas are widened. [m]
    length_sd_m : float
        Standard deviation of where along the main the two fittings stand, together. [m]
    length_sd_share : float
        Standard deviation of a length taken from the map, as a share of it.
    clock_sd_s : float
        Standard deviation of a logger's clock when the table does not say. [s]
    clock_jitter_share : float
        Share of the clock's error that is new in each round; the rest is the same in all rounds.
    model_sd_m : float
        What the model of one clean wave does not know (mountings, reflections, dispersion). [m]
    lead_sd_share : float
        Standard deviation of the travel time along a lead, as a share of it.
    band_hz : (float, float) or None
        Band to use, None for automatic. [Hz]
    reach_m : float
        Pairs farther apart than this along the main are not compared. [m]
    level : float
        Probability that the areas hold.
    prior_between, prior_beyond : float
        Prior probability of a leak between the sensors, and of a source at or beyond either one of them
        (both together); the rest is silence.
    passing_share : float
        Prior probability that a round holds a noise of its own that passes (usage).
    covering_share : float
        Prior probability that such a noise covers what lasts.
    least_probability : float
        Candidates below this are not listed; of several loggers the place that is most probable metre by
        metre is, from 0.01 on.
    leaks : int
        So many leaks are known to be there, from the inflow at night, say: the most probable place of each is
        listed, however improbable, and before all others. 0 when that is not known. Of several loggers only.
    calibration : Calibration or None
        What finds taught about the speeds of these pipes, in place of the tables alone.
    main_speeds : mapping of str to WaveSpeed
        Speeds of single mains that the survey itself measured, by asset id, in place of all else.
    """

    temperature_c: float = 10.0
    temperature_sd_c: float = 3.0
    map_accuracy_m: float = 0.5
    length_sd_m: float = 0.3
    length_sd_share: float = 0.003
    clock_sd_s: float = 0.0002
    clock_jitter_share: float = 0.3
    model_sd_m: float = 0.1
    lead_sd_share: float = 0.15
    band_hz: tuple[float, float] | None = None
    reach_m: float = 600.0
    level: float = 0.95
    prior_between: float = 0.4
    prior_beyond: float = 0.3
    passing_share: float = 0.25
    covering_share: float = 0.2
    least_probability: float = 0.05
    leaks: int = 0
    calibration: Calibration | None = None
    main_speeds: Mapping[str, WaveSpeed] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in (
            "temperature_sd_c",
            "map_accuracy_m",
            "length_sd_m",
            "length_sd_share",
            "clock_sd_s",
            "model_sd_m",
            "lead_sd_share",
        ):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise PositionError(f"setting {name}", found=str(value), remedy="give 0 or a positive number")
        for name in (
            "clock_jitter_share",
            "level",
            "passing_share",
            "covering_share",
            "prior_between",
            "prior_beyond",
        ):
            value = getattr(self, name)
            if not 0 < value < 1:
                raise PositionError(
                    f"setting {name}", found=str(value), remedy="give a number between 0 and 1"
                )
        if not self.reach_m > 0:
            raise PositionError("setting reach_m", found=str(self.reach_m), remedy="give a positive length")
        if not 0 <= self.least_probability <= 1:
            raise PositionError(
                "setting least_probability",
                found=str(self.least_probability),
                remedy="give a number from 0 to 1",
            )
        if self.leaks not in range(MOST_LEAKS + 1):
            raise PositionError(
                "setting leaks", found=str(self.leaks), remedy=f"give a whole number from 0 to {MOST_LEAKS}"
            )
        if self.prior_between + self.prior_beyond >= 1:
            raise PositionError(
                "settings prior_between and prior_beyond",
                found=f"a sum of {self.prior_between + self.prior_beyond}",
                remedy="their sum must stay below 1: there may be no leak at all",
            )
