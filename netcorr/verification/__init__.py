"""What the ground said of earlier results: accuracy, and what it teaches about wave speeds."""

from netcorr.verification.accuracy import Accuracy, Band, Find, Group, accuracy_of
from netcorr.verification.found_place import FoundPlace, found_place
from netcorr.verification.history import Disagreement, Record, disagreements, new_visits, state
from netcorr.verification.intervals import Interval, median, wilson
from netcorr.verification.speeds import LearnedSpeed, SpeedEvidence, SpeedLesson, learn_speeds
from netcorr.verification.visit import VERIFICATIONS, Visit

__all__ = [
    "VERIFICATIONS",
    "Accuracy",
    "Band",
    "Disagreement",
    "Find",
    "FoundPlace",
    "Group",
    "Interval",
    "LearnedSpeed",
    "Record",
    "SpeedEvidence",
    "SpeedLesson",
    "Visit",
    "accuracy_of",
    "disagreements",
    "found_place",
    "learn_speeds",
    "median",
    "new_visits",
    "state",
    "wilson",
]
