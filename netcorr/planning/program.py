"""The integer programme of the choice of sites, given to HiGHS: sites, covered targets and some pairs.

The rows are those of `netcorr.planning.cover_rows`. For targets that a whole-numbered solution claims falsely
the pairs themselves become variables; this settles such a target for good.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import highspy
import numpy as np

from netcorr.planning.cover_rows import Row, Targets

if TYPE_CHECKING:
    from netcorr.planning.problem import Floats, Ints

_INF = highspy.kHighsInf


@dataclass(frozen=True, eq=False)
class Goal:
    """What is wanted of a choice.

    Attributes
    ----------
    lower, upper : numpy.ndarray of float, shape (s,)
        0 and 1; both 1 for a site fixed in, both 0 for one fixed out.
    most_sites : int, optional
        Cover as much weight as so many sites can; without it, the fewest sites are sought.
    least_weight : float, optional
        With the fewest sites: how much must be covered; all targets unless given.
    folds : int
        Pairs that must cover a target.
    """

    lower: Floats
    upper: Floats
    most_sites: int | None = None
    least_weight: float | None = None
    folds: int = 1

    @property
    def all_targets(self) -> bool:
        """Whether every target has to be covered."""
        return self.most_sites is None and self.least_weight is None


@dataclass(frozen=True, eq=False)
class Solution:
    """What HiGHS found.

    Attributes
    ----------
    chosen : numpy.ndarray of float, shape (s,) or None
        Sites; None when no solution was found in the time.
    covered : numpy.ndarray of float, shape (t,) or None
        Targets claimed.
    bound : float
        No choice has fewer sites, or covers more weight.
    """

    chosen: Floats | None
    covered: Floats | None
    bound: float


@dataclass
class Program:
    """Rows gathered so far.

    Attributes
    ----------
    targets : Targets
        What is to be covered.
    goal : Goal
        What is wanted.
    rows : dict
        Rows by their key.
    with_pairs : set of int
        Targets whose pairs are variables.
    """

    targets: Targets
    goal: Goal
    rows: dict[tuple[int, bytes], Row] = field(default_factory=dict)
    with_pairs: set[int] = field(default_factory=set)

    def add(self, rows: Iterable[Row]) -> list[Row]:
        """Add rows and return those that are new; where all is to be covered, the target plays no part."""
        new = []
        for row in rows:
            one = Row(-1, row.sites) if self.goal.all_targets else row
            if one.key not in self.rows:
                self.rows[one.key] = one
                new.append(one)
        return new

    def relaxed(self) -> Relaxation:
        """Linear relaxation, to which rows can be added one by one; without pairs."""
        return Relaxation(self)

    def solve(self, *, time_limit_s: float, bound: float) -> Solution:
        """Solve in whole numbers.

        Parameters
        ----------
        time_limit_s : float
            When to stop. [s]
        bound : float
            Bound that is known: a solution this good ends the search.

        Returns
        -------
        Solution
            The best found, and the bound.

        Notes
        -----
        No choice is given to HiGHS to start from: version 1.16 may take a start to a better solution of the
        presolved programme, prove that one best, and then return the start itself.
        """
        model = self._model(whole=True)
        model.setOptionValue("time_limit", max(time_limit_s, 0.1))
        model.setOptionValue("mip_rel_gap", 1e-7)
        if np.isfinite(bound):
            sign = -1.0 if self.goal.most_sites is not None else 1.0
            model.setOptionValue("objective_target", sign * bound + 1e-6 * max(abs(bound), 1.0))
        model.run()
        info = model.getInfo()
        found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
        values = np.array(model.getSolution().col_value) if found else None
        return self._solution(values, float(info.mip_dual_bound))

    def _solution(self, values: Floats | None, bound: float) -> Solution:
        sites, targets = len(self.goal.lower), len(self.targets)
        bound = -bound if self.goal.most_sites is not None else bound
        if values is None:
            return Solution(None, None, bound)
        covered = np.ones(targets) if self.goal.all_targets else values[sites : sites + targets]
        return Solution(values[:sites], covered, bound)

    def _model(self, *, whole: bool) -> Any:
        """The programme as HiGHS takes it: columns are sites, targets unless all are wanted, pairs."""
        goal, sites = self.goal, len(self.goal.lower)
        matrix = _Matrix(sites + (0 if goal.all_targets else len(self.targets)))
        for row in self.rows.values():
            matrix.add(*self._terms(row))
        ones, weight = np.arange(sites), self.targets.weight
        if goal.most_sites is not None:
            matrix.add(ones, np.ones(sites), low=-_INF, high=float(goal.most_sites))
        elif goal.least_weight is not None:
            matrix.add(sites + np.arange(len(weight)), weight, low=goal.least_weight)
        if whole:
            for target in sorted(self.with_pairs):
                self._add_pairs(matrix, target)
        cost = np.zeros(matrix.columns)
        if goal.most_sites is None:
            cost[:sites] = 1.0
        else:
            cost[sites : sites + len(weight)] = -weight
        # one of two pairs would make half a target
        whole_columns = sites + (len(weight) if goal.folds > 1 and not goal.all_targets else 0)
        return matrix.model(cost, lower=goal.lower, upper=goal.upper, whole=whole_columns if whole else 0)

    def _terms(self, row: Row) -> tuple[Ints, Floats, float]:
        """Columns, factors and right-hand side of a row."""
        if row.target < 0:
            return row.sites, np.ones(len(row.sites)), 1.0
        columns = np.append(row.sites, len(self.goal.lower) + row.target)
        return columns, np.append(np.ones(len(row.sites)), -1.0), 0.0

    def _add_pairs(self, matrix: _Matrix, target: int) -> None:
        """Pairs of a target as variables: chosen only with both sites, and as many as folds ask for."""
        part = slice(self.targets.pairs.start[target], self.targets.pairs.start[target + 1])
        sides = self.targets.site_a[part], self.targets.site_b[part]
        pairs = matrix.columns + np.arange(len(sides[0]))
        matrix.columns += len(pairs)
        folds = float(self.goal.folds)
        if self.goal.all_targets:
            matrix.add(pairs, np.ones(len(pairs)), low=folds)
        else:
            column = len(self.goal.lower) + target
            matrix.add(np.append(pairs, column), np.append(np.ones(len(pairs)), -folds), low=0.0)
        for side in sides:
            for site in np.unique(side):
                own = pairs[side == site]
                for few in [own] if folds == 1 else own[:, None]:
                    matrix.add(np.append(few, site), np.append(-np.ones(len(few)), 1.0), low=0.0)


class Relaxation:
    """The programme in fractions, kept by HiGHS between rows.

    Parameters
    ----------
    program : Program
        Its rows at this moment.
    """

    def __init__(self, program: Program) -> None:
        self._program = program
        self._model = program._model(whole=False)

    def add(self, rows: Iterable[Row]) -> None:
        """Add rows."""
        for row in rows:
            columns, factors, low = self._program._terms(row)
            self._model.addRow(low, _INF, len(columns), columns.astype(np.int32), factors)

    def solve(self, *, time_limit_s: float) -> Solution:
        """Solve in fractions; the bound is that of the relaxation, or nothing when the time was short."""
        self._model.setOptionValue("time_limit", float(self._model.getRunTime()) + max(time_limit_s, 0.1))
        self._model.run()
        solved = self._model.getModelStatus() == highspy.HighsModelStatus.kOptimal
        values = np.array(self._model.getSolution().col_value) if solved else None
        nothing = -_INF
        return self._program._solution(values, self._model.getObjectiveValue() if solved else nothing)


class _Matrix:
    """Rows on their way to HiGHS."""

    def __init__(self, columns: int) -> None:
        self.columns = columns
        self._index: list[Ints] = []
        self._value: list[Floats] = []
        self._low: list[float] = []
        self._high: list[float] = []

    def add(self, columns: Ints, factors: Floats, low: float, high: float = _INF) -> None:
        self._index.append(columns)
        self._value.append(factors)
        self._low.append(low)
        self._high.append(high)

    def model(self, cost: Floats, *, lower: Floats, upper: Floats, whole: int) -> Any:
        """Minimise `cost` over columns from 0 to 1; the first are bounded otherwise, and the first whole."""
        rest = self.columns - len(lower)
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = self.columns, len(self._low)
        lp.col_cost_ = cost
        lp.col_lower_ = np.concatenate([lower, np.zeros(rest)])
        lp.col_upper_ = np.concatenate([upper, np.ones(rest)])
        lp.row_lower_, lp.row_upper_ = np.array(self._low), np.array(self._high)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lengths = [len(one) for one in self._index]
        lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32)
        empty = [np.zeros(0)]
        lp.a_matrix_.index_ = np.concatenate(self._index or empty).astype(np.int32)
        lp.a_matrix_.value_ = np.concatenate(self._value or empty).astype(float)
        if whole:
            kinds = [highspy.HighsVarType.kInteger] * whole
            lp.integrality_ = kinds + [highspy.HighsVarType.kContinuous] * (self.columns - whole)
        highs: Any = highspy.Highs.__base__  # the class itself prints a banner when it is called
        model = highs()
        model.setOptionValue("output_flag", False)
        model.passModel(lp)
        return model
