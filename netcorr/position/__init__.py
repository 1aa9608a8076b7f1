"""Path, speed and delay evidence to where the leak is and how sure."""

from netcorr.position.fix import Branch, Candidate, ErrorBudget, Outcome, PairFix, SurveyFix
from netcorr.position.pair import locate_pair, path_speeds
from netcorr.position.posterior import PairPosterior, pair_posterior
from netcorr.position.region import Stretch, highest_density_stretches
from netcorr.position.settings import LocateSettings
from netcorr.position.survey import locate_survey
from netcorr.position.travel import PathTimes, path_times

__all__ = [
    "Branch",
    "Candidate",
    "ErrorBudget",
    "LocateSettings",
    "Outcome",
    "PairFix",
    "PairPosterior",
    "PathTimes",
    "Stretch",
    "SurveyFix",
    "highest_density_stretches",
    "locate_pair",
    "locate_survey",
    "pair_posterior",
    "path_speeds",
    "path_times",
]
