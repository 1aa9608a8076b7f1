"""Leaks that are not there, on the real map with the planned loggers: would they be found?"""

from netcorr.rehearsal.hand_over import as_recordings
from netcorr.rehearsal.judge import OUTCOMES, Outcome, Told, judge
from netcorr.rehearsal.night import NightSettings, simulate_night
from netcorr.rehearsal.places import LeakPlace, leak_place, nearest_place, place_at, random_places
from netcorr.rehearsal.run import Rehearsal, RehearsalSettings, RehearsedLeak, rehearse
from netcorr.rehearsal.sites import PlannedSite, read_sites
from netcorr.rehearsal.summary import Share, Summary, summarise, summarise_by

__all__ = [
    "OUTCOMES",
    "LeakPlace",
    "NightSettings",
    "Outcome",
    "PlannedSite",
    "Rehearsal",
    "RehearsalSettings",
    "RehearsedLeak",
    "Share",
    "Summary",
    "Told",
    "as_recordings",
    "judge",
    "leak_place",
    "nearest_place",
    "place_at",
    "random_places",
    "read_sites",
    "rehearse",
    "simulate_night",
    "summarise",
    "summarise_by",
]
