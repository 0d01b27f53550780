"""Small-sample inference for the fixed effects of a model with estimated covariance: Kenward–Roger, Satterthwaite.

Everything here is computed from p x p matrices (`Ingredients`), whichever family of covariances they come from.
With y ~ N(X b, V(sigma)), sigma the k covariance parameters, and Phi = (X' V^-1 X)^-1:

    P_i  = -X' V^-1 V_i V^-1 X                  V_i  = dV / d sigma_i
    Q_ij =  X' V^-1 V_i V^-1 V_j V^-1 X
    R_ij =  X' V^-1 V_ij V^-1 X                 V_ij = d2V / (d sigma_i d sigma_j), absent when V is linear in sigma
    W    =  covariance of the estimated sigma: the inverse of their EXPECTED information

Sources: Kenward & Roger (1997) Biometrics 53, 983–997 (adjusted covariance, F and its denominator df);
Satterthwaite (1946) Biometrics Bulletin 2, 110–114; Fai & Cornelius (1996) J. Stat. Comput. Simul. 54, 363–378
(Satterthwaite's df for several contrasts at once); formulas written from memory, checked against references.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from studykit.errors import CallError, FitError

# A scale of an F with 2 denominator df is 0/0; within this distance of 2 the scale is set to 1, the convention of
# the reference implementation (pbkrtest).
_DF_WITHOUT_SCALE = 0.01
# Satterthwaite df that agree this well are one number (the pooled formula is 0/0 there), as in lmerTest.
_EQUAL_DF = 1e-8


@dataclass(frozen=True, slots=True)
class Ingredients:
    """What small-sample inference needs to know of a fit.

    Attributes:
        beta: (p,) estimated fixed effects.
        phi: (p, p) their model-based covariance (X' V^-1 X)^-1.
        p_matrices: (k, p, p), P_i = -X' V^-1 V_i V^-1 X.
        q_matrices: (k, k, p, p), Q_ij = X' V^-1 V_i V^-1 V_j V^-1 X.
        r_matrices: (k, k, p, p), R_ij = X' V^-1 V_ij V^-1 X, or None when V is linear in its parameters.
        w: (k, k) inverse of the expected information of the covariance parameters (Kenward–Roger uses this).
        w_observed: (k, k) inverse of the observed information, or None; Satterthwaite uses it where it is given,
            because its reference implementation does (twice the inverse Hessian of the deviance).
    """

    beta: np.ndarray
    phi: np.ndarray
    p_matrices: np.ndarray
    q_matrices: np.ndarray
    r_matrices: np.ndarray | None
    w: np.ndarray
    w_observed: np.ndarray | None = None


@dataclass(frozen=True, slots=True)
class ContrastTest:
    """A test of L' b = null, L (p, l).

    Attributes:
        f: the F statistic, already multiplied by `scale`.
        df1: numerator degrees of freedom, l.
        df2: denominator degrees of freedom; inf when the covariance is taken as known.
        scale: the factor by which the Wald F was multiplied (Kenward–Roger; otherwise 1).
        p: probability of a larger F under the null hypothesis.
    """

    f: float
    df1: int
    df2: float
    scale: float
    p: float


def kenward_roger(ingredients: Ingredients) -> np.ndarray:
    """Covariance of the fixed effects, adjusted for having estimated the covariance parameters.

        Phi_A = Phi + 2 Phi [ sum_ij W_ij (Q_ij - P_i Phi P_j - R_ij / 4) ] Phi

    A component that sits on the boundary (variance zero) keeps its derivative and its place in W, so that the
    adjustment still knows that it was estimated (the convention of pbkrtest too).

    Returns:
        (p, p) symmetric matrix.
    """
    phi, w = ingredients.phi, ingredients.w
    weighted_p = np.einsum("ij,jab->iab", w, ingredients.p_matrices)
    inner = np.einsum("ij,ijab->ab", w, ingredients.q_matrices)
    inner = inner - np.einsum("iab,bc,icd->ad", ingredients.p_matrices, phi, weighted_p)
    if ingredients.r_matrices is not None:
        inner = inner - 0.25 * np.einsum("ij,ijab->ab", w, ingredients.r_matrices)
    adjusted = phi + 2.0 * phi @ inner @ phi
    symmetric: np.ndarray = 0.5 * (adjusted + adjusted.T)
    return symmetric


def kenward_roger_df(ingredients: Ingredients, contrast: np.ndarray | None = None) -> np.ndarray:
    """Kenward–Roger df of single contrasts: 2 / A2 with A2 as in `kenward_roger_test` (the scale is 1 there).

    Args:
        ingredients: of the fit.
        contrast: (p, l), each column on its own; every coefficient when left out.

    Returns:
        (l,) degrees of freedom; inf where the covariance parameters have no bearing on the contrast.
    """
    columns = _columns(ingredients, contrast)
    slopes, variances = _variance_slopes(ingredients, columns)
    return _two_over(_quadratic(slopes, ingredients.w) / variances**2)


def kenward_roger_test(ingredients: Ingredients, contrast: np.ndarray, null: float | np.ndarray = 0.0) -> ContrastTest:
    """F test of L' b = null with the Kenward–Roger covariance, scale and denominator df.

    With l columns, Theta = L (L' Phi L)^-1 L':

        A1 = sum_ij W_ij tr(Theta Phi P_i Phi) tr(Theta Phi P_j Phi)
        A2 = sum_ij W_ij tr(Theta Phi P_i Phi Theta Phi P_j Phi)
        B  = (A1 + 6 A2) / (2 l),   g = ((l + 1) A1 - (l + 4) A2) / ((l + 2) A2),   c = 3 l + 2 (1 - g)
        E* = 1 / (1 - A2 / l)
        V* = (2 / l) (1 + c1 B) / ((1 - c2 B)^2 (1 - c3 B)),   c1 = g/c, c2 = (l - g)/c, c3 = (l + 2 - g)/c
        rho = V* / (2 E*^2),   df2 = 4 + (l + 2) / (l rho - 1),   scale = df2 / (E* (df2 - 2))

    For l = 1 this is df2 = 2 / A2 and scale 1 exactly. A df2 within 0.01 of 2 has scale 1 (0/0 otherwise).

    Raises:
        CallError: the contrast has the wrong shape, or columns that repeat each other.
        FitError: no F distribution has the two moments that are asked for.
    """
    columns = _independent_columns(ingredients, contrast)
    size = columns.shape[1]
    wald_f = _wald_f(ingredients.beta, kenward_roger(ingredients), columns, null)
    a1, a2 = _kenward_roger_sums(ingredients, columns)
    if a2 <= 0.0:
        return ContrastTest(wald_f, size, np.inf, 1.0, float(stats.chi2.sf(size * wald_f, size)))
    df2, scale = (2.0 / a2, 1.0) if size == 1 else _matched_f(size, a1, a2)
    return ContrastTest(scale * wald_f, size, df2, scale, float(stats.f.sf(scale * wald_f, size, df2)))


def satterthwaite_df(ingredients: Ingredients, contrast: np.ndarray | None = None) -> np.ndarray:
    """Satterthwaite df of single contrasts, 2 v^2 / (g' W g) with v = l' Phi l and g_i = dv / d sigma_i.

        dPhi / d sigma_i = -Phi P_i Phi

    W is the inverse observed information where the fit gives it, else the inverse expected information.

    Returns:
        (l,) degrees of freedom, one for each column of the contrast (each coefficient when left out).
    """
    columns = _columns(ingredients, contrast)
    slopes, variances = _variance_slopes(ingredients, columns)
    return _two_over(_quadratic(slopes, _satterthwaite_w(ingredients)) / variances**2)


def satterthwaite_test(ingredients: Ingredients, contrast: np.ndarray, null: float | np.ndarray = 0.0) -> ContrastTest:
    """F test of L' b = null with the model-based covariance and Satterthwaite df (Fai & Cornelius for l > 1).

    L' Phi L is diagonalised; each of the l independent contrasts has its own df nu_m, and

        df2 = 2 E / (E - l),   E = sum_m nu_m / (nu_m - 2)

    When all nu_m agree df2 is that number; when any nu_m is 2 or less df2 is 2 (both as in lmerTest).

    Raises:
        CallError: the contrast has the wrong shape, or columns that repeat each other.
    """
    columns = _independent_columns(ingredients, contrast)
    size = columns.shape[1]
    wald_f = _wald_f(ingredients.beta, ingredients.phi, columns, null)
    _, vectors = np.linalg.eigh(columns.T @ ingredients.phi @ columns)
    df2 = _pooled_df(satterthwaite_df(ingredients, columns @ vectors))
    p = stats.f.sf(wald_f, size, df2) if np.isfinite(df2) else stats.chi2.sf(size * wald_f, size)
    return ContrastTest(wald_f, size, df2, 1.0, float(p))


def wald_test(ingredients: Ingredients, contrast: np.ndarray, null: float | np.ndarray = 0.0) -> ContrastTest:
    """Large-sample test of L' b = null: the covariance taken as known, chi-squared / l, df2 infinite.

    Raises:
        CallError: the contrast has the wrong shape, or columns that repeat each other.
    """
    columns = _independent_columns(ingredients, contrast)
    size = columns.shape[1]
    wald_f = _wald_f(ingredients.beta, ingredients.phi, columns, null)
    return ContrastTest(wald_f, size, np.inf, 1.0, float(stats.chi2.sf(size * wald_f, size)))


def _columns(ingredients: Ingredients, contrast: np.ndarray | None) -> np.ndarray:
    size = ingredients.beta.shape[0]
    if contrast is None:
        return np.eye(size)
    columns = np.asarray(contrast, dtype=float)
    columns = columns[:, None] if columns.ndim == 1 else columns
    if columns.ndim != 2 or columns.shape[0] != size or columns.shape[1] == 0:
        raise CallError(
            f"The contrast has shape {columns.shape}; give one row for each of the {size} fixed effects "
            "and one column for each contrast."
        )
    if not np.any(columns, axis=0).all():
        raise CallError("A contrast is zero for every fixed effect; leave that column out.")
    return columns


def _independent_columns(ingredients: Ingredients, contrast: np.ndarray) -> np.ndarray:
    columns = _columns(ingredients, contrast)
    # Measured in standard errors, so that the units of a covariate do not decide what counts as a repetition.
    scaled = columns * np.sqrt(np.diag(ingredients.phi))[:, None]
    scaled = scaled / np.linalg.norm(scaled, axis=0)
    rank = int(np.linalg.matrix_rank(scaled))
    if rank < columns.shape[1]:
        raise CallError(
            f"The {columns.shape[1]} contrasts hold only {rank} independent ones; leave out those that repeat others."
        )
    return columns


def _wald_f(beta: np.ndarray, covariance: np.ndarray, columns: np.ndarray, null: float | np.ndarray) -> float:
    distance = columns.T @ beta - np.broadcast_to(np.asarray(null, dtype=float), columns.shape[1])
    solved = np.linalg.solve(columns.T @ covariance @ columns, distance)
    return float(distance @ solved / columns.shape[1])


def _variance_slopes(ingredients: Ingredients, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k, l) derivatives of each contrast's variance by each parameter, and the (l,) variances."""
    spread = ingredients.phi @ columns
    slopes = -np.einsum("al,iab,bl->il", spread, ingredients.p_matrices, spread)
    return slopes, np.einsum("al,al->l", columns, spread)


def _quadratic(slopes: np.ndarray, w: np.ndarray) -> np.ndarray:
    values: np.ndarray = np.einsum("il,ij,jl->l", slopes, w, slopes)
    return values


def _two_over(values: np.ndarray) -> np.ndarray:
    df: np.ndarray = np.divide(2.0, values, out=np.full_like(values, np.inf), where=values > 0.0)
    return df


def _kenward_roger_sums(ingredients: Ingredients, columns: np.ndarray) -> tuple[float, float]:
    """A1 and A2, from U_i = (L' Phi L)^-1 L' Phi P_i Phi L (l x l), whose traces are those of the p x p products."""
    spread = ingredients.phi @ columns
    middles = np.einsum("al,iab,bm->ilm", spread, ingredients.p_matrices, spread)
    middles = np.linalg.solve(columns.T @ spread, middles)
    traces = np.einsum("ill->i", middles)
    a1 = float(traces @ ingredients.w @ traces)
    a2 = float(np.einsum("ij,ilm,jml->", ingredients.w, middles, middles))
    return a1, a2


def _matched_f(size: int, a1: float, a2: float) -> tuple[float, float]:
    """Denominator df and scale of the F distribution with the moments of Kenward & Roger (1997), for l > 1."""
    b = (a1 + 6.0 * a2) / (2.0 * size)
    g = ((size + 1.0) * a1 - (size + 4.0) * a2) / ((size + 2.0) * a2)
    c = 3.0 * size + 2.0 * (1.0 - g)
    v0, v1, v2 = 1.0 + g / c * b, 1.0 - (size - g) / c * b, 1.0 - (size + 2.0 - g) / c * b
    lower = 1.0 - a2 / size
    # 1 - A2/l and 1 - c2 B vanish together (exactly so for one contrast and in balanced designs).
    ratio = 1.0 if abs(lower) < 1e-14 and abs(v1) < 1e-14 else _divide(lower, v1)
    rho = _divide(ratio**2 * v0, size * v2)
    df2 = 4.0 + _divide(size + 2.0, size * rho - 1.0)
    if not df2 > 0.0:
        raise FitError(
            f"Kenward–Roger finds no F distribution for these {size} contrasts together (its denominator df would "
            f"be {df2:.3g}): the design has too few independent groups for them; test fewer contrasts at once."
        )
    scale = 1.0 if abs(df2 - 2.0) < _DF_WITHOUT_SCALE else df2 * lower / (df2 - 2.0)
    return df2, scale


def _divide(numerator: float, denominator: float) -> float:
    if denominator == 0.0:
        raise FitError(
            "Kenward–Roger divides by zero for these contrasts together: the design has too few independent "
            "groups for them; test fewer contrasts at once."
        )
    return numerator / denominator


def _satterthwaite_w(ingredients: Ingredients) -> np.ndarray:
    return ingredients.w if ingredients.w_observed is None else ingredients.w_observed


def _pooled_df(single_df: np.ndarray) -> float:
    if np.all(np.isinf(single_df)):
        return np.inf
    if np.isfinite(single_df).all() and np.ptp(single_df) < _EQUAL_DF:
        return float(single_df.mean())
    if np.any(single_df <= 2.0):
        return 2.0
    expected = float(np.sum(1.0 / (1.0 - 2.0 / single_df)))
    return 2.0 * expected / (expected - single_df.size)
