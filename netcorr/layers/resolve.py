"""From a source and a mapping, given or inferred, to the layers in files that hold the network."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from netcorr.errors import LayerError
from netcorr.layers.code_tables import code_texts, stored_codes
from netcorr.layers.infer import infer_mapping
from netcorr.layers.mapping import FittingsMapping, LayerMapping, MainsMapping, read_mapping
from netcorr.layers.names import listed, similar
from netcorr.layers.read_values import Codes
from netcorr.layers.source_summary import LayerSummary, SourceSummary
from netcorr.layers.sources import find_layer, survey_source


@dataclass(frozen=True)
class ResolvedSource:
    """A mapping whose layers and columns have been found.

    Attributes
    ----------
    source : str
        Name of what was given.
    mapping : LayerMapping
        Given or inferred.
    mains : LayerSummary
        Where the mains are.
    fittings : tuple of LayerSummary
        Where the fittings are, in the order of `mapping.fittings`.
    mains_codes : mapping of str to mapping of str to str
        What code tables say of the columns of the mains: role, to code, to text.
    fittings_codes : tuple of mappings
        The same for each layer of fittings.
    """

    source: str
    mapping: LayerMapping
    mains: LayerSummary
    fittings: tuple[LayerSummary, ...]
    mains_codes: Codes = field(default_factory=dict)
    fittings_codes: tuple[Codes, ...] = ()


def resolve_source(source: str | Path, mapping: LayerMapping | str | Path | None = None) -> ResolvedSource:
    """Find the layers and columns of a network.

    Parameters
    ----------
    source : str or pathlib.Path
        A dataset, a folder, or a TOML mapping that names its source.
    mapping : LayerMapping, or path of a TOML mapping, optional
        Inferred from the names when missing.

    Returns
    -------
    ResolvedSource
        The layers, found.

    Raises
    ------
    LayerError
        If a file, layer or column is not there, or the mapping cannot be told.
    """
    base, given = split_source(source, mapping)
    surveys: dict[Path, SourceSummary] = {}
    if given is None:
        surveys[Path(source)] = survey_source(source)
        given = infer_mapping(surveys[Path(source)])
    if not given.fittings:
        raise LayerError(
            Path(source).name, found="no fittings layer in the mapping", remedy="add a table [[fittings]]"
        )
    mains = _layer(given.mains, base, surveys)
    fittings = tuple(_layer(part, base, surveys) for part in given.fittings)
    return ResolvedSource(
        Path(source).name,
        given,
        mains,
        fittings,
        mains_codes=_codes(given.mains, mains, base, surveys),
        fittings_codes=tuple(
            _codes(part, layer, base, surveys) for part, layer in zip(given.fittings, fittings, strict=True)
        ),
    )


def split_source(
    source: str | Path, mapping: LayerMapping | str | Path | None
) -> tuple[Path | None, LayerMapping | None]:
    """Tell the dataset and the mapping apart, as a TOML file may stand for both.

    Parameters
    ----------
    source : str or pathlib.Path
        A dataset, a folder, or a TOML mapping.
    mapping : LayerMapping, path of a TOML mapping, or None
        Given beside it.

    Returns
    -------
    tuple of pathlib.Path or None, LayerMapping or None
        Dataset for the layers that name no file of their own, and mapping.

    Raises
    ------
    LayerError
        If the mapping cannot be read.
    """
    if Path(source).suffix.lower() == ".toml":
        own = read_mapping(source)
        return own.source, own
    if mapping is None or isinstance(mapping, LayerMapping):
        return Path(source), mapping
    return Path(source), read_mapping(mapping)


def _layer(
    part: MainsMapping | FittingsMapping, base: Path | None, surveys: dict[Path, SourceSummary]
) -> LayerSummary:
    path = part.source or base
    if path is None:
        raise LayerError(
            f"mapping, layer {part.layer or '(not named)'}",
            found="no source",
            remedy='add source = "file" for the layer or for the whole mapping',
        )
    if path not in surveys:
        surveys[path] = survey_source(path)
    layer = find_layer(surveys[path], part.layer)
    _check_columns(layer, part.columns)
    return layer


def _codes(
    part: MainsMapping | FittingsMapping,
    layer: LayerSummary,
    base: Path | None,
    surveys: dict[Path, SourceSummary],
) -> Codes:
    """What the code tables of a layer say; one that the mapping names takes the place of a stored one."""
    found = stored_codes(layer, part.columns)
    for role, table in part.codes.items():
        path = table.source or part.source or base
        if path is None:
            raise LayerError(
                f"mapping, code table for {role}", found="no source", remedy='add source = "file" to it'
            )
        if path not in surveys:
            surveys[path] = survey_source(path)
        found[role] = code_texts(table, find_layer(surveys[path], table.layer))
    return found


def _check_columns(layer: LayerSummary, columns: Mapping[str, str]) -> None:
    for role, column in columns.items():
        if column not in layer.column_names:
            raise LayerError(
                f"{layer.path.name}, layer {layer.name}",
                found=f"no column {column!r}, which the mapping names as {role}",
                remedy=f"name one of its columns: {listed(layer.column_names, most=20)}"
                f"{similar(column, layer.column_names)}",
            )
