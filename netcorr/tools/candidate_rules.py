"""The options about candidate fittings, read: which fittings of a network may carry a logger."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from netcorr.tools.open_map import check_own_columns

if TYPE_CHECKING:
    from pathlib import Path

    import shapely

    from netcorr.network import PipeNetwork
    from netcorr.planning import CandidateSites


@dataclass(frozen=True, eq=False)
class CandidateRules:
    """Rules read, for `netcorr.planning.candidates`.

    Attributes
    ----------
    kinds : tuple of str
        Kinds that may be used.
    only : frozenset of str or None
        Ids that alone may be used; None for all.
    excluded : mapping of str to str
        Ids that cannot be used, and why.
    area : shapely.Geometry or None
        District, in the CRS of the network.
    notes : tuple of str
        What a user should know of the rules.
    """

    kinds: tuple[str, ...]
    only: frozenset[str] | None
    excluded: Mapping[str, str]
    area: shapely.Geometry | None
    notes: tuple[str, ...] = ()

    def sites(self, network: PipeNetwork) -> CandidateSites:
        """Candidate sites by these rules.

        Raises
        ------
        PlanError
            If there is none.
        """
        from netcorr.planning.candidates import candidate_sites

        return candidate_sites(
            network, kinds=self.kinds, only=self.only, excluded=self.excluded, area=self.area
        )


def candidate_rules(
    network: PipeNetwork,
    source: Path,
    *,
    mapping: Path | None = None,
    kinds: str = "valve,hydrant",
    candidates: Path | None = None,
    where: str | None = None,
    exclude: str | None = None,
    district: Path | None = None,
) -> CandidateRules:
    """Read the rules by which fittings are candidates.

    Parameters
    ----------
    network : PipeNetwork
        The network.
    source : pathlib.Path
        What it was read from: its fittings' own columns are read again from there.
    mapping : pathlib.Path, optional
        TOML file that says which of the source's layers and columns mean what.
    kinds : str
        Kinds parted by commas.
    candidates : pathlib.Path, optional
        Layer, table or list of fittings that alone may be used.
    where : str, optional
        Condition on the columns of `candidates`, or of the source's fittings.
    exclude : str, optional
        Columns of the source's fittings that say which cannot be used.
    district : pathlib.Path, optional
        Layer of polygons.

    Returns
    -------
    CandidateRules
        The rules.

    Raises
    ------
    NetcorrError
        If a file, column or condition is at fault.
    UsageError
        If columns are asked for that a saved network does not have.
    """
    from netcorr.layers.areas import read_area
    from netcorr.layers.own_columns import left_out, read_own_columns
    from netcorr.layers.site_list import read_site_list
    from netcorr.planning.candidates import match_fittings, parse_kinds

    only: frozenset[str] | None = None
    excluded: dict[str, str] = {}
    notes: list[str] = []
    if exclude is not None or (where is not None and candidates is None):
        check_own_columns(
            source,
            "--exclude" if exclude is not None else "--where",
            remedy=f"give the map that it was saved from: {network.source}, or a layer with --candidates",
        )
    if candidates is not None:
        only = frozenset(match_fittings(network, read_site_list(candidates, where=where)))
    elif where is not None:
        only = _with_parts(network, read_own_columns(source, "fittings", mapping=mapping, where=where).index)
    if exclude is not None:
        frame = read_own_columns(source, "fittings", mapping=mapping)
        reasons, notes = left_out(frame, exclude, f"{source.name}, fittings")
        excluded = {
            asset: reasons[asset] if asset in reasons else reasons[asset.partition("#")[0]]
            for asset in _with_parts(network, reasons)
        }
    area = None if district is None else read_area(district, crs=network.crs)
    return CandidateRules(parse_kinds(kinds), only, excluded, area, tuple(notes))


def _with_parts(network: PipeNetwork, ids: Iterable[str]) -> frozenset[str]:
    """Ids of the network that were read from the given ones: further parts are called id#2 and so on."""
    wanted = set(ids)
    return frozenset(
        asset for asset in network.fittings.index if asset in wanted or asset.partition("#")[0] in wanted
    )
