"""Photos of the loggers in place to a draft of the deployments table: declared once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from netcorr.feedback import Feedback, NoFeedback, PartOf
from netcorr.tools.declare import Tool
from netcorr.tools.open_map import open_map
from netcorr.tools.parameter import Parameter
from netcorr.tools.shared_parameters import KINDS, MAP_OPTIONS, NETWORK
from netcorr.units import format_count

if TYPE_CHECKING:
    from datetime import tzinfo

    from netcorr.position.photo_sites import PhotoSite


@dataclass(frozen=True)
class PhotosResult:
    """The sites that the photos show.

    Attributes
    ----------
    sites : tuple of PhotoSite
        Sure ones first.
    files : tuple of pathlib.Path
        The draft.
    """

    sites: tuple[PhotoSite, ...]
    files: tuple[Path, ...]
    exit_code: int = 0
    verdict: str = ""

    def text(self) -> str:
        """Give each site in a line, what is doubtful with the reason, and what to do next."""
        from netcorr.export.plain_text import plain_text

        return "\n".join(plain_text(line) for line in self._lines())

    def _lines(self) -> Iterator[str]:
        sure = [site for site in self.sites if site.is_sure]
        unsure = [site for site in self.sites if not site.is_sure]
        count = sum(len(site.photos) for site in self.sites)
        sites = format_count(len(sure), "site")
        yield f"{format_count(count, 'photo')}: {sites} sure, {len(unsure)} in doubt."
        if sure:
            yield from ("", "Sure of the fitting")
        for site in sure:
            near = site.near[0]
            yield f"  {near.kind} {near.fitting}, {near.distance_m:.1f} m away: {_names(site)}{_when(site)}"
            yield from (f"      mind: {text}" for text in site.doubts)
        if unsure:
            yield from ("", "In doubt: write the fitting into the table, or take the row out")
        for site in unsure:
            yield f"  {_names(site)}{_when(site)}: {'; '.join(site.doubts)}"
        yield ""
        yield "Next: fill in the column recording, one row for each recording, and logger, lead_m and"
        yield "clock_sd_ms where known; then run netcorr locate with the table."

    def as_dict(self) -> dict[str, Any]:
        """Give the same for machines."""
        from netcorr.export.plain_text import plain_values

        found: dict[str, Any] = plain_values({"sites": [_site_dict(site) for site in self.sites]})
        return found | {"files": [str(path) for path in self.files]}


def _names(site: PhotoSite) -> str:
    return ", ".join(photo.path.name for photo in site.photos)


def _when(site: PhotoSite) -> str:
    from netcorr.export.deployment_draft import time_text

    text = time_text(site.photos[0].taken)
    return f" ({text})" if text else ""


def _site_dict(site: PhotoSite) -> dict[str, Any]:
    from netcorr.export.deployment_draft import time_text

    return {
        "fitting": site.fitting,
        "sure": site.is_sure,
        "near": [
            {"fitting": near.fitting, "kind": near.kind, "distance_m": round(near.distance_m, 2)}
            for near in site.near
        ],
        "photos": [
            {
                "file": str(photo.path),
                "lon_lat": None if photo.lon_lat is None else list(photo.lon_lat),
                "accuracy_m": photo.accuracy_m,
                "taken": time_text(photo.taken) or None,
            }
            for photo in site.photos
        ],
        "doubts": list(site.doubts),
    }


def photos(
    *,
    folder: Path,
    network: Path,
    output: Path,
    kinds: str = "valve,hydrant",
    far_m: float = 10.0,
    accuracy_m: float = 5.0,
    time_zone: str | None = None,
    mapping: Path | None = None,
    crs: str | None = None,
    join_m: float = 0.2,
    cut_m: float = 0.2,
    fitting_m: float = 5.0,
    overshoot_m: float = 0.5,
    feedback: Feedback | None = None,
) -> PhotosResult:
    """Draft a deployments table from photos of the loggers in place.

    Parameters
    ----------
    folder : pathlib.Path
        Folder of photos.
    network : pathlib.Path
        Source of mains and fittings, or a saved network.
    output : pathlib.Path
        Table to write; never one that is there.
    kinds : str
        Kinds of fittings on which a logger may stand, parted by commas.
    far_m : float
        A fitting farther from a photo is not taken for the one in it. [m]
    accuracy_m : float
        Standard deviation of a photo's place where it states none. [m]
    time_zone : str, optional
        Zone of the cameras' clocks, for photos that state none.
    mapping : pathlib.Path, optional
        TOML file that says which of the source's layers and columns mean what.
    crs : str, optional
        CRS of a source that does not state one.
    join_m, cut_m, fitting_m, overshoot_m : float
        How near ends, tees and fittings must lie to be taken as connected, and how far an end may run
        past another main. [m]
    feedback : Feedback, optional
        Progress and log.

    Returns
    -------
    PhotosResult
        The sites, and the draft that was written.

    Raises
    ------
    NetcorrError
        If an input is at fault; the message says which and why.
    """
    from netcorr.export.deployment_draft import check_draft_target, write_draft
    from netcorr.network import Tolerances
    from netcorr.position.photo_sites import find_photo_sites
    from netcorr.recordings.photos import read_photos

    feedback = feedback or NoFeedback()
    check_draft_target(output)
    zone = _zone(time_zone)
    taken = read_photos(folder, zone=zone, feedback=PartOf(feedback, start=0.0, stop=0.5))
    built = open_map(
        network,
        mapping=mapping,
        crs=crs,
        tolerances=Tolerances(join_m=join_m, cut_m=cut_m, fitting_m=fitting_m, overshoot_m=overshoot_m),
        feedback=PartOf(feedback, start=0.5, stop=0.9),
    )
    sites = find_photo_sites(
        taken,
        built,
        kinds=[kind.strip() for kind in kinds.split(",") if kind.strip()],
        accuracy_m=accuracy_m,
        far_m=far_m,
    )
    write_draft(sites, output)
    feedback.progress(1.0, "done")
    return PhotosResult(sites, (output,))


def _zone(name: str | None) -> tzinfo | None:
    from zoneinfo import ZoneInfo

    from netcorr.errors import UsageError

    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise UsageError(
            "Time zone (--time-zone)", found=name, remedy="give a zone such as Europe/Lisbon or UTC"
        ) from error


TOOL = Tool(
    id="photos",
    title="Deployments from photos",
    purpose="Draft the table of recordings from geotagged photos of the loggers in place.",
    description=(
        "Place and time are read from what the camera wrote into each photo, and the nearest valve or "
        "hydrant is looked up on the map. It is filled in only where it is sure: not when far away, and "
        "not when a second fitting is nearly as near. All photos of a fitting make one row. The column "
        "recording is left to be filled in; then the table is what netcorr locate wants."
    ),
    function=photos,
    parameters=(
        Parameter(
            "folder",
            "folder_in",
            "Photos",
            "Folder of photos (JPEG, TIFF, PNG, WebP) with their location; folders in it are read, too.",
            required=True,
        ),
        NETWORK,
        Parameter(
            "output",
            "file_out",
            "Draft",
            "Table to write; one that is there is never replaced, since it may have been filled in.",
            ("-o", "--output"),
            required=True,
            suffixes=(".csv",),
        ),
        KINDS,
        Parameter(
            "far_m",
            "number",
            "Farthest fitting",
            "A fitting farther from a photo than this is not taken for the one in it.",
            ("--far",),
            unit="m",
            minimum=1,
            maximum=200,
            default=10.0,
        ),
        Parameter(
            "accuracy_m",
            "number",
            "Accuracy of places",
            "How far off the place of a photo usually is, where the photo does not say.",
            ("--accuracy",),
            unit="m",
            minimum=0.1,
            maximum=100,
            default=5.0,
        ),
        Parameter(
            "time_zone",
            "text",
            "Time zone",
            "Zone of the cameras' clocks, such as Europe/Lisbon or UTC, for photos that state none.",
            ("--time-zone",),
        ),
        *MAP_OPTIONS,
    ),
    examples=(
        ("In the folder of the photos of one night:", ". town.gpkg -o deployments.csv"),
        (
            "A camera without a zone, and a good receiver:",
            ". town.gpkg -o deployments.csv --time-zone Europe/Lisbon --accuracy 1",
        ),
    ),
)
