"""From a right-hand side in Wilkinson-Rogers notation to named columns, from the data alone.

Treatment coding: a factor's first level is the reference. Nothing is looked up outside the data but the functions
that formulaic itself offers (log, I, C, center, poly and the like).

Source of the notation: Wilkinson & Rogers (1973), Appl. Stat. 22, 392-399 (from memory).
"""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from formulaic import Formula
from formulaic.errors import FormulaicError
from formulaic.parser.types import Factor
from formulaic.transforms import TRANSFORMS
from numpy.typing import NDArray

from studykit.errors import CallError, DataError, DesignError
from studykit.numerics.mixed.checks import dependent_columns

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FixedDesign:
    """The fixed effects of a model.

    Attributes:
        formula: right-hand side as it was given.
        matrix: (n, p) columns.
        columns: p names.
        terms: for each term of the formula, the positions of its columns; the intercept is "1".
        factors: variables that enter as factors, with their levels in order.
        numeric_factors: those of them that are numbers, made factors by C() in the formula.
        covariates: variables that enter as numbers, with their mean over the rows.
        recipe: formulaic's record of how columns are made, for new rows.
    """

    formula: str
    matrix: Array
    columns: tuple[str, ...]
    terms: Mapping[str, tuple[int, ...]]
    factors: Mapping[str, tuple[Any, ...]]
    numeric_factors: frozenset[str]
    covariates: Mapping[str, float]
    recipe: Any

    def rows(self, frame: pd.DataFrame) -> Array:
        """Columns of the design for new rows that hold every variable, (rows, p).

        Raises:
            DataError: a level that the fit has not seen.
        """
        made = pd.DataFrame(index=frame.index)
        for name, levels in self.factors.items():
            values = frame[name]
            unseen = [value for value in values.unique().tolist() if value not in levels]
            if unseen:
                listed = ", ".join(repr(value) for value in unseen)
                raise DataError(f"The fit has not seen {listed} in {name!r}; it knows {', '.join(map(repr, levels))}.")
            made[name] = (
                values.astype(np.asarray(levels).dtype)
                if name in self.numeric_factors
                else pd.Categorical(values.astype(object), categories=list(levels))
            )
        for name in self.covariates:
            made[name] = frame[name].astype("float64")
        if made.shape[1] == 0:
            return np.ones((len(frame), 1))
        return np.asarray(self.recipe.get_model_matrix(made, context={}), dtype=np.float64)


def formula_variables(formula: str) -> tuple[str, ...]:
    """Variables of a right-hand side, sorted.

    Raises:
        CallError: the formula cannot be read, has a left-hand side, calls a function that there is not, or takes a
            power of a column by "^".
    """
    found: set[str] = set()
    for term in _parsed(formula):
        for factor in term.factors:
            if factor.eval_method is Factor.EvalMethod.LOOKUP:
                found.add(str(factor.expr))
            elif factor.eval_method is Factor.EvalMethod.PYTHON:
                found |= _names_in(str(factor.expr), formula)
    return tuple(sorted(found))


def _names_in(expression: str, formula: str) -> set[str]:
    """Names in a Python expression that are data, not functions."""
    functions, names = set(), set()
    for node in ast.walk(ast.parse(expression, mode="eval")):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            functions.add(node.func.id)
        elif isinstance(node, ast.Name):
            names.add(node.id)
    unknown = sorted(functions - set(TRANSFORMS))
    if unknown:
        raise CallError(f"The formula {formula!r} calls {unknown[0]!r}, which is not a function of formulas.")
    return names - functions - set(TRANSFORMS)


def fixed_design(formula: str, frame: pd.DataFrame) -> FixedDesign:
    """Make the columns of a right-hand side.

    Args:
        formula: right-hand side, such as "week * arm + age_years".
        frame: complete rows as `rows.model_rows` gives them.

    Raises:
        CallError: the formula cannot be read, or makes no column.
        DesignError: columns that are combinations of others, named, with the reason.
    """
    parsed = _parsed(formula)
    variables = formula_variables(formula)
    try:
        matrix = parsed.get_model_matrix(frame[list(variables)] if variables else frame, context={}, na_action="raise")
    except (FormulaicError, NameError, TypeError, ValueError, ArithmeticError) as error:
        raise CallError(f"The formula {formula!r} cannot be computed from the data: {_first_line(error)}") from error
    values = np.asarray(matrix, dtype=np.float64)
    columns = tuple(str(name) for name in matrix.columns)
    if values.shape[1] == 0:
        raise CallError(f"The formula {formula!r} makes no column; write at least '1' for an intercept.")
    if not np.isfinite(values).all():
        at = int(np.flatnonzero(~np.isfinite(values).all(axis=0))[0])
        raise DataError(f"The column {columns[at]!r} of the formula is not finite in every row; check its variables.")
    _check_rank(values, columns)
    wrapped = _wrapped_as_factors(matrix.model_spec)
    factors = {
        name: tuple(frame[name].cat.categories)
        if isinstance(frame[name].dtype, pd.CategoricalDtype)
        else tuple(sorted(frame[name].unique().tolist()))
        for name in variables
        if isinstance(frame[name].dtype, pd.CategoricalDtype) or name in wrapped
    }
    return FixedDesign(
        formula=formula,
        matrix=values,
        columns=columns,
        terms={str(term): tuple(places) for term, places in matrix.model_spec.term_indices.items()},
        factors=factors,
        numeric_factors=frozenset(name for name in factors if not isinstance(frame[name].dtype, pd.CategoricalDtype)),
        covariates={name: float(frame[name].mean()) for name in variables if name not in factors},
        recipe=matrix.model_spec,
    )


def _first_line(error: BaseException) -> str:
    text = re.sub(r"\x1b\[[0-9;]*m|[⧛⧚]", "", str(error)).strip()
    return text.splitlines()[0] if text else type(error).__name__


def _parsed(formula: str) -> Any:
    if not isinstance(formula, str) or not formula.strip():
        raise CallError("The formula is empty; write a right-hand side such as 'week * arm', or '1' for a mean alone.")
    if "~" in formula:
        raise CallError(f"The formula {formula!r} holds '~'; give the right-hand side only, and the outcome by name.")
    if "|" in formula:
        raise CallError(f"The formula {formula!r} holds '|'; random effects are given as `random=[Varies(...)]`.")
    power = re.search(r"(?<![\w)\].])([A-Za-z_]\w*)\s*(?:\^|\*\*)\s*\d", re.sub(r"\w+\([^()]*\)", "", formula))
    if power:
        raise CallError(
            f"{power.group(0)!r} in a formula means {power.group(1)!r} crossed with itself, which is "
            f"{power.group(1)!r} alone; for its square write 'I({power.group(1)} ** 2)'."
        )
    try:
        return Formula(formula)
    except (FormulaicError, SyntaxError) as error:
        raise CallError(f"The formula {formula!r} cannot be read: {_first_line(error)}") from error


def _wrapped_as_factors(recipe: Any) -> set[str]:
    """Variables that occur as C(name, ...)."""
    found = set()
    for factor in recipe.factors:
        try:
            node = ast.parse(str(factor), mode="eval").body
        except SyntaxError:  # a back-quoted name is no Python expression, and no call
            continue
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "C" and isinstance(node.args[0], ast.Name):
            found.add(node.args[0].id)
    return found


def _check_rank(values: Array, columns: tuple[str, ...]) -> None:
    """Refuse columns that repeat others, and say which and why."""
    dependent = dependent_columns(values)
    if not dependent:
        return
    independent = [place for place in range(len(columns)) if place not in dependent]
    reasons = []
    for place in dependent[:3]:
        if not np.any(values[:, place]):
            reasons.append(f"{columns[place]!r} is zero in every row, as no row has this combination")
            continue
        scale = np.linalg.norm(values[:, independent], axis=0)
        weights = np.linalg.lstsq(values[:, independent] / scale, values[:, place], rcond=None)[0]
        large = np.abs(weights) > 1e-6 * float(np.linalg.norm(values[:, place]))
        others = [repr(columns[other]) for other, used in zip(independent, large, strict=True) if used]
        reasons.append(f"{columns[place]!r} is a combination of {', '.join(others)}")
    more = f"; and {len(dependent) - 3} more" if len(dependent) > 3 else ""
    raise DesignError(
        f"{len(dependent)} of {len(columns)} fixed-effect columns cannot be told from others: "
        f"{'; '.join(reasons)}{more}. Leave a term out, or merge levels."
    )
