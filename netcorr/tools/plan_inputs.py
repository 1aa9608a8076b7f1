"""The options of a plan that name columns, lists and lengths, read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from netcorr.errors import LayerError, PlanError, UsageError
from netcorr.tools.open_map import check_own_columns

if TYPE_CHECKING:
    from pathlib import Path

    from netcorr.feedback import Feedback
    from netcorr.network import PipeNetwork
    from netcorr.planning import CandidateSites
    from netcorr.planning.reach import ReachTable
    from netcorr.tools.candidate_rules import CandidateRules


def read_reach(text: str | None, **rules: Any) -> ReachTable:
    """Reach by the rules of `reach_table`; what cannot be right is a fault of the command."""
    from netcorr.tools.reach_rules import reach_table

    try:
        return reach_table(reach=text, **rules)
    except PlanError as error:
        raise UsageError(f"Reach (--reach), {error.item}", found=error.found, remedy=error.remedy) from error


def plan_sites(
    network: PipeNetwork, rules: CandidateRules, *, fixed_in: Path | None, fixed_out: Path | None
) -> tuple[CandidateSites, list[str]]:
    """Candidates, those fixed in being some in any case, and the latter."""
    from netcorr.layers.site_list import read_site_list
    from netcorr.planning.candidates import counted, match_fittings, sites_of, why_not

    always = [] if fixed_in is None else match_fittings(network, read_site_list(fixed_in))
    never = [] if fixed_out is None else match_fittings(network, read_site_list(fixed_out))
    both = sorted(set(always) & set(never))
    if both:
        raise UsageError(
            f"fitting {both[0]}", found="both fixed in and fixed out", remedy="take it off one of the lists"
        )
    for name in always:
        network.node_of(name)  # refuses one that sits on no main
    table = network.fittings
    reason = why_not(
        network,
        kinds=rules.kinds,
        only=rules.only,
        excluded={**rules.excluded, **dict.fromkeys(never, "fixed out")},
        area=rules.area,
    )
    keep = reason == ""
    fixed = table.index.isin(always)
    keep &= ~table["node"].isin(table["node"][fixed]).to_numpy()  # of several at one place the fixed one
    keep |= fixed
    if not keep.any():
        raise PlanError(
            f"{network.source}, fittings",
            found=f"no candidate for a logger among {len(reason)} fittings: {counted(reason) or 'none'}",
            remedy="allow more kinds or a larger district, or check the fittings layer",
        )
    at_one_place = table[fixed][table["node"][fixed].duplicated()]
    if len(at_one_place):
        raise UsageError(
            f"fitting {at_one_place.index[0]}",
            found="fixed in at the same place of the main as another one",
            remedy="fix only one of them in",
        )
    return sites_of(network, keep), always


def read_weights(
    network: PipeNetwork, source: Path, column: str, *, mapping: Path | None, feedback: Feedback
) -> Mapping[str, float]:
    """What a metre of each main is worth, by its id; a main without a number counts nothing."""
    import numpy as np
    import pandas as pd

    from netcorr.layers.own_columns import one_column, read_own_columns

    item = f"{source.name}, mains"
    remedy = f"give the map that it was saved from: {network.source}"
    check_own_columns(source, f"--weight {column}", remedy=remedy)
    values = one_column(read_own_columns(source, "mains", mapping=mapping), column, item)
    numbers = pd.to_numeric(values, errors="coerce")
    strange = values[numbers.isna() & values.notna() & (values.astype(str).str.strip() != "")]
    wrong = numbers[(numbers < 0) | np.isinf(numbers)]
    for faults, needed in ((strange, "numbers"), (wrong, "finite numbers, none below 0")):
        if len(faults):
            raise LayerError(
                f"{item}, main {faults.index[0]}",
                found=f"column {column} holds {faults.iloc[0]!r}",
                remedy=f"give a column of {needed}",
            )
    by_id = numbers.fillna(0.0).to_dict()
    used = {data["pipe_id"] for _, _, data in network.graph.edges(data=True) if data["is_open"]}
    weights = {name: float(by_id.get(name, by_id.get(name.partition("#")[0], 0.0))) for name in used}
    without = int(numbers.isna().sum())
    if without:
        feedback.message(
            f"{item}: {without} of {len(numbers)} have no number in {column}; they count nothing"
        )
    return weights


#: Columns that hold an address, as maps call them.
_ADDRESS_NAMES = ("address", "addr", "street_address", "location", "street", "adresse", "direccion", "morada")


def read_addresses(source: Path, column: str | None, *, mapping: Path | None) -> dict[str, str]:
    """Address of each fitting, by id; empty where the map has none."""
    from netcorr.layers.own_columns import one_column, read_own_columns
    from netcorr.network import is_saved_network

    if column is None and is_saved_network(source):
        return {}
    if column is not None:
        check_own_columns(source, f"--address {column}", remedy="give the map that it was saved from")
    frame = read_own_columns(source, "fittings", mapping=mapping)
    if column is None:
        names = {str(name).casefold(): str(name) for name in frame.columns}
        column = next((names[name] for name in _ADDRESS_NAMES if name in names), None)
        if column is None:
            return {}
    texts = one_column(frame, column, f"{source.name}, fittings")
    return {str(name): str(text).strip() for name, text in texts.dropna().items()}
