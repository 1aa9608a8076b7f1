"""Products of matrices that stay on the core that asks for them.

Numerical libraries share larger products among threads of their own, which wait for each other busily. Where
pairs are worked on side by side that takes more time than it saves: twice as much on two cores.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

Number = TypeVar("Number", np.float32, np.float64, np.complex128)

#: Rows by columns by terms of a product that libraries do not share, of real and of complex numbers: OpenBLAS
#: begins above 2^18 and 2^16.
MOST_AT_ONCE, MOST_COMPLEX = 1 << 17, 1 << 15
#: Columns of a part.
COLUMNS = 256


def product(a: NDArray[Number], b: NDArray[Number]) -> NDArray[Number]:
    """Product of matrices, in parts.

    Parameters
    ----------
    a : numpy.ndarray
        Shape (..., r, n).
    b : numpy.ndarray
        Shape (..., n, c).

    Returns
    -------
    numpy.ndarray
        Shape (..., r, c): ``a @ b``.

    Examples
    --------
    >>> product(np.ones((2, 3)), np.ones((3, 1))).tolist()
    [[3.0], [3.0]]
    """
    rows, terms, columns = a.shape[-2], a.shape[-1], b.shape[-1]
    most = MOST_COMPLEX if np.iscomplexobj(a) or np.iscomplexobj(b) else MOST_AT_ONCE
    if rows * terms * columns <= most:
        return np.asarray(a @ b)
    wide = min(columns, COLUMNS)
    high = max(most // (terms * wide), 1)
    leading: tuple[int, ...] = np.broadcast_shapes(a.shape[:-2], b.shape[:-2])
    whole = np.empty((*leading, rows, columns), dtype=np.result_type(a, b))
    for left in range(0, columns, wide):
        beside = np.ascontiguousarray(b[..., left : left + wide])
        for top in range(0, rows, high):
            whole[..., top : top + high, left : left + wide] = a[..., top : top + high, :] @ beside
    return whole
