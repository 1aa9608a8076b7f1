"""The layer of a result that keeps what crews sent back: rows are added to it, never changed."""

from __future__ import annotations

from netcorr.export.result_schema import Column, ResultLayer
from netcorr.verification.visit import VERIFICATIONS

VERIFICATION_HISTORY = ResultLayer(
    "verification_history",
    "Point",
    "What crews sent back",
    "One row for each visit that was taken in, oldest first, at the place where the leak was found. Rows are "
    "only ever added.",
    (
        Column("candidate_id", "text", "Candidate that it is about"),
        Column("verification", "text", "What the ground said", VERIFICATIONS),
        Column("offset_m", "real", "Leak from the point along the main, as measured: + towards B [m]"),
        Column("depth_m", "real", "Depth of the leak below the ground [m]"),
        Column("visited", "time", "When it was seen (UTC)"),
        Column("crew", "text", "Who was there"),
        Column("photo", "text", "Photo of the place"),
        Column("field_note", "text", "Anything else"),
        Column("moved_x", "real", "Where the crew moved the point to, in the CRS of this layer"),
        Column("moved_y", "real", "The same"),
        Column("found_from_a_m", "real", "Where the leak was, from sensor_a along the main [m]"),
        Column("error_m", "real", "Found less predicted along the main: + towards B [m]"),
        Column("across_m", "real", "Distance of a moved point from the pipe [m]"),
        Column("known_by", "text", "How the place is known"),
        Column("doubt", "text", "What did not fit when it was taken in"),
        Column("taken", "time", "When it was taken in (UTC)"),
        Column("source_file", "text", "File that it came from"),
        Column("source_sha256", "text", "SHA-256 of that file"),
    ),
)
