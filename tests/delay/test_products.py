"""Products in parts, against numpy's whole ones."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay import products
from netcorr.delay.products import product

SIZES = st.integers(1, 40)


@settings(deadline=None, max_examples=60)
@given(rows=SIZES, terms=SIZES, columns=st.integers(1, 700), seed=st.integers(0, 9), turned=st.booleans())
def test_in_parts_as_in_whole(rows: int, terms: int, columns: int, seed: int, turned: bool) -> None:
    rng = np.random.default_rng(seed)
    a, b = rng.normal(size=(rows, terms)), rng.normal(size=(terms, columns))
    if turned:
        a, b = a + 1j * rng.normal(size=a.shape), b + 1j * rng.normal(size=b.shape)
    found = product(a, b)
    assert found.shape == (rows, columns)
    assert found.dtype == (a @ b).dtype
    assert found == pytest.approx(a @ b)


@settings(deadline=None, max_examples=20)
@given(rows=SIZES, columns=st.integers(1, 700), seed=st.integers(0, 9))
def test_single_precision_stays_single(rows: int, columns: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(3, rows, 20)).astype(np.float32)
    b = rng.normal(size=(3, 20, columns)).astype(np.float32)
    found = product(a, b)
    assert found.dtype == np.float32
    assert found == pytest.approx(a @ b, abs=1e-4)


class Watched(np.ndarray):
    """A matrix that notes how much work each product with it is."""

    work: ClassVar[list[int]] = []

    def __matmul__(self, other: np.ndarray) -> np.ndarray:  # type: ignore[override]
        self.work.append(self.shape[-2] * self.shape[-1] * other.shape[-1])
        return np.asarray(self) @ np.asarray(other)


@pytest.mark.parametrize(("turn", "most"), [(1.0, products.MOST_AT_ONCE), (1j, products.MOST_COMPLEX)])
def test_no_part_is_larger_than_libraries_keep_to_one_core(turn: complex, most: int) -> None:
    a = np.random.default_rng(3).normal(size=(3, 120, 50)) * turn
    b = np.random.default_rng(4).normal(size=(3, 50, 333)) * turn
    Watched.work.clear()
    assert product(a.view(Watched), b) == pytest.approx(np.matmul(a, b))
    assert max(Watched.work) <= most
    # nothing is done twice, and nothing left out
    assert sum(Watched.work) == 120 * 50 * 333


def test_one_factor_may_serve_several(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(2, 30, 20)), rng.normal(size=(20, 300))
    monkeypatch.setattr(products, "MOST_AT_ONCE", 5000)
    assert product(a, b) == pytest.approx(a @ b)
