"""Sound files to recordings with a clock, checked and aligned in rounds."""

from netcorr.recordings.align import align, resample
from netcorr.recordings.compare import compare_recordings
from netcorr.recordings.interpolate import interpolate
from netcorr.recordings.quality import measure_quality
from netcorr.recordings.read import SurveyRecordings, read_recording, read_rounds
from netcorr.recordings.recording import Deployment, Recording, RecordingQuality, Rejected, Round
from netcorr.recordings.rounds import group_by_time
from netcorr.recordings.sound import Sound, read_sound
from netcorr.recordings.start import Start, find_start
from netcorr.recordings.table import read_deployments

__all__ = [
    "Deployment",
    "Recording",
    "RecordingQuality",
    "Rejected",
    "Round",
    "Sound",
    "Start",
    "SurveyRecordings",
    "align",
    "compare_recordings",
    "find_start",
    "group_by_time",
    "interpolate",
    "measure_quality",
    "read_deployments",
    "read_recording",
    "read_rounds",
    "read_sound",
    "resample",
]
