"""A utility's map, or a network saved from it, to the network that a tool works on."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

from netcorr.errors import UsageError
from netcorr.feedback import Feedback, NoFeedback, PartOf

if TYPE_CHECKING:
    from pathlib import Path

    from netcorr.network import PipeNetwork, Tolerances


def open_map(
    source: Path,
    *,
    mapping: Path | None = None,
    crs: str | None = None,
    tolerances: Tolerances | None = None,
    feedback: Feedback | None = None,
) -> PipeNetwork:
    """Read and clean a map, or open a network that was saved after cleaning.

    Parameters
    ----------
    source : pathlib.Path
        Source of mains and fittings, or a network saved by `netcorr.export.save_network`.
    mapping : pathlib.Path, optional
        TOML file that says which of the source's layers and columns mean what.
    crs : str, optional
        CRS of a source that does not state one.
    tolerances : Tolerances, optional
        How far things may lie apart and still be one; the defaults unless given.
    feedback : Feedback, optional
        Told of the progress, and of every note about the map; a saved network says that it is one.

    Returns
    -------
    PipeNetwork
        The same whether read or opened.

    Raises
    ------
    LayerError, NetworkError
        If the source is at fault; the message says where and why.
    UsageError
        If a mapping, a CRS or tolerances are given that a saved network does not have.
    CancelledError
        If `feedback` says so.
    """
    from netcorr.layers import read_network_layers
    from netcorr.network import Tolerances, build_network, is_saved_network, open_network

    feedback, tolerances = feedback or NoFeedback(), tolerances or Tolerances()
    if is_saved_network(source):
        network = open_network(source, feedback=feedback)
        _check_saved(source, network, mapping=mapping, crs=crs, asked=tolerances)
        feedback.message(_opened(source, network))
    else:
        layers = read_network_layers(
            source, mapping=mapping, crs=crs, feedback=PartOf(feedback, start=0.0, stop=0.5)
        )
        network = build_network(layers, tolerances=tolerances, feedback=PartOf(feedback, start=0.5, stop=1.0))
    for note in network.notes:
        feedback.message(note)
    return network


def check_own_columns(source: Path, given: str, *, remedy: str) -> None:
    """Refuse an option that asks for the map's own columns where the source is a saved network.

    Parameters
    ----------
    source : pathlib.Path
        Source of mains and fittings, or a saved network.
    given : str
        The option as it was given, for the message.
    remedy : str
        What to do instead.

    Raises
    ------
    UsageError
        If the source is a saved network: it no longer has the columns of the map.
    """
    from netcorr.network import is_saved_network

    if is_saved_network(source):
        raise UsageError(
            f"{source.name}, a saved network",
            found=f"{given} was given, but it no longer has the columns of the map",
            remedy=remedy,
        )


def _opened(source: Path, network: PipeNetwork) -> str:
    cleaned = ", ".join(f"{_WORDS[name]} {value:g} m" for name, value in _items(network.tolerances))
    return (
        f"{source.name} is a saved network, opened without cleaning it again; it was read from "
        f"{network.source} and cleaned with tolerances of: {cleaned}"
    )


def _check_saved(
    source: Path, network: PipeNetwork, *, mapping: Path | None, crs: str | None, asked: Tolerances
) -> None:
    """Refuse options that a saved network cannot follow any more; an unchanged default asks for nothing."""
    item = f"{source.name}, a saved network"
    for option, given in (("--mapping", mapping), ("--crs", crs)):
        if given is not None:
            raise UsageError(
                item,
                found=f"{option} {given} was given, but the map was already read",
                remedy=f"leave {option} out, or give the map that it was saved from: {network.source}",
            )
    saved = dict(_items(network.tolerances))
    defaults = dict(_items(type(asked)()))
    for name, value in _items(asked):
        if value not in (saved[name], defaults[name]):
            raise UsageError(
                item,
                found=f"its {_WORDS[name]} tolerance is {saved[name]:g} m, and {value:g} m was asked for",
                remedy=f"leave it out, or give the map that it was saved from: {network.source}",
            )


def _items(tolerances: Tolerances) -> list[tuple[str, float]]:
    return [(field.name, getattr(tolerances, field.name)) for field in fields(tolerances)]


_WORDS = {"join_m": "joint", "cut_m": "tee", "fitting_m": "fitting", "overshoot_m": "overshoot"}
