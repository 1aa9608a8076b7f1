"""The former place of `netcorr.rehearsal.hand_over.as_recordings`."""

from netcorr.rehearsal.hand_over import as_recordings

__all__ = ["as_recordings"]
