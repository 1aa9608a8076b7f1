"""The name of a candidate: the same for the same answer, so that field results can be matched to it."""

from __future__ import annotations

import uuid

_NETCORR = uuid.uuid5(uuid.NAMESPACE_URL, "urn:netcorr:leak-candidate")


def candidate_id(*content: str | float) -> str:
    """Name a candidate by what it says.

    Parameters
    ----------
    *content : str or float
        Sensors, outcome, place and probability, in full precision: two surveys never share all of them,
        and one survey located twice does.

    Returns
    -------
    str
        UUID (version 5, RFC 9562).

    Examples
    --------
    >>> candidate_id("V1", "V2", 31.4) == candidate_id("V1", "V2", 31.4)
    True
    >>> candidate_id("V1", "V2", 31.4) == candidate_id("V1", "V2", 31.5)
    False
    """
    return str(uuid.uuid5(_NETCORR, "\n".join(map(repr, content))))
