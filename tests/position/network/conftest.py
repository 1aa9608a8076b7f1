"""Surveys without recordings: evidence with peaks where sound of a known speed would put them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.path import correlation_path
from netcorr.position import LocateSettings, PairFix, PathTimes, path_speeds, path_times
from netcorr.position.sites import Site

Maker = Callable[..., Any]
Pairs = list[tuple[PairFix, PathTimes]]


def sites_of(fittings: Sequence[str], clock_sd_s: float = 1e-4) -> list[Site]:
    """One logger at each fitting: L1 at the first."""
    return [Site(f"L{k + 1}", fitting, 0.0, clock_sd_s) for k, fitting in enumerate(fittings)]


@pytest.fixture(scope="session")
def make_pairs(make_evidence: Maker) -> Maker:
    """Pairs of a survey whose delays are given, for every pair of fittings with open main between them."""

    def pairs_of(
        network: PipeNetwork,
        fittings: Sequence[str],
        delays_s: Mapping[tuple[str, str], Mapping[float, float]],
        settings: LocateSettings | None = None,
        rounds: int = 2,
    ) -> Pairs:
        settings = settings or LocateSettings()
        made: Pairs = []
        number = {fitting: k + 1 for k, fitting in enumerate(fittings)}
        for (a, b), peaks in delays_s.items():
            path = correlation_path(network, a, fitting_b=b)
            speeds = path_speeds(path, settings=settings)
            times = path_times(path, speeds, settings=settings, clock_sd_s=1e-4 * math.sqrt(2))
            evidence = tuple(
                make_evidence(times, peaks, round_number=n, floor=-1.0, sd_s=1e-4)
                for n in range(1, rounds + 1)
            )
            fix = PairFix(
                logger_a=f"L{number[a]}",
                logger_b=f"L{number[b]}",
                path=path,
                speeds=speeds,
                outcome="between",
                probability_between=1.0,
                probability_beyond_a=0.0,
                probability_beyond_b=0.0,
                probability_none=0.0,
                candidates=(),
                evidence=evidence,
                travel_time_s=times.travel_time_s,
                position_m=np.linspace(0.0, path.length_m, 5),
                density_per_m=np.ones(5) / path.length_m,
            )
            made.append((fix, times))
        return made

    return pairs_of
