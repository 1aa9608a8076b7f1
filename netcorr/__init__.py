"""netcorr: locate buried water leaks on the utility's own map from simultaneous noise recordings."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("netcorr")
except PackageNotFoundError:  # run from a checkout that was never installed
    __version__ = "0+unknown"
