"""Where a search begins: a moment estimate first, then places from which another minimum might be found."""

from __future__ import annotations

import numpy as np

from studykit.numerics.mixed.components import Components
from studykit.numerics.mixed.criterion import Looks
from studykit.numerics.mixed.cross_products import DesignProducts
from studykit.numerics.mixed.information import derivatives, profiled_deviance

# A start never has a variance below this share of (residual variance / rows per level).
_START_FLOOR = 0.1
# A direction of a covariance this few standard errors from zero may have another minimum beside it.
_FEW_ERRORS = 2.5
# One such variance alone is looked at along these multiples of its estimate (of 1 / rows per level when it is zero).
_ALONG = (0.0, 0.01, 0.1, 1.0, 10.0, 100.0)
_ALONG_FROM_ZERO = (0.0, 0.1, 1.0, 10.0, 100.0)


def moment_start(looks: Looks) -> np.ndarray:
    """Factors of the minimum-norm quadratic estimates: E[q_i] = sum_j T_ij sigma_j solved at equal variances.

    Rao (1971) J. Multivariate Anal. 1, 445–456 (from memory). Estimates that are not positive are lifted to a floor.
    """
    design, parts = looks.design, looks.design.components
    point = looks.at(parts.vector(tuple(np.eye(width) for width in parts.widths)))
    moments = derivatives(point, reml=True)
    start: np.ndarray = start_from_moments(design, moments.trace_pairs[None], moments.quadratics[None])[0]
    return start


def start_from_moments(design: DesignProducts, trace_pairs: np.ndarray, quadratics: np.ndarray) -> np.ndarray:
    """(a, f) factors of the estimates of a fits, from (a, K + 1, K + 1) T_ij and (a, K + 1) q_i of REML."""
    parts = design.components
    pairs = zip(trace_pairs, quadratics, strict=True)
    estimate = np.stack([np.linalg.lstsq(traces, quadratic, rcond=None)[0] for traces, quadratic in pairs])
    identity = parts.vector(scaled_identities(design, 1.0))
    positive = estimate[:, :1] > 0.0
    ratios = np.where(positive, estimate[:, 1:] / np.where(positive, estimate[:, :1], 1.0), identity)
    lifted = []
    for matrix, rows in zip(parts.matrices(ratios), rows_per_level(design), strict=True):
        values, vectors = np.linalg.eigh(matrix)
        kept = np.clip(values, _START_FLOOR / rows, 1e6)
        lifted.append((vectors * kept[..., None, :]) @ np.swapaxes(vectors, -1, -2))
    return parts.factor(tuple(lifted))


def further_starts(looks: Looks, factor: np.ndarray, *, reml: bool) -> list[tuple[str, np.ndarray]]:
    """Further starts for the terms whose covariance is not clearly away from zero; none when all are."""
    design, parts = looks.design, looks.design.components
    gamma = parts.from_factor(factor)
    point = looks.at(gamma)
    spread = 2.0 * np.linalg.pinv(derivatives(point, reml=True).trace_pairs, hermitian=True)[1:, 1:]
    matrices = parts.matrices(gamma)
    weak = [term for term, matrix in enumerate(matrices) if _is_weak(parts, term, matrix, spread)]
    rows = rows_per_level(design)

    def pattern(sizes: dict[int, float]) -> np.ndarray:
        made = [np.eye(len(m)) * sizes[term] if term in sizes else m for term, m in enumerate(matrices)]
        return parts.factor(tuple(made))

    if not weak:
        return []
    if len(weak) == 1 and parts.widths[weak[0]] == 1:
        ratio = float(matrices[weak[0]][0, 0])
        values = np.array(_ALONG if ratio > 0.0 else _ALONG_FROM_ZERO) * (ratio if ratio > 0.0 else 1.0 / rows[weak[0]])
        return _valleys(looks, [pattern({weak[0]: value}) for value in values], ratio > 0.0, reml=reml)
    starts = [("small", pattern({term: 0.05 / rows[term] for term in weak}))]
    starts += [
        (f"{design.terms[term].name} large", pattern({other: 10.0 if other == term else 0.05 for other in weak}))
        for term in weak
    ]
    if len(weak) > 1:
        starts.insert(0, ("equal variances", pattern(dict.fromkeys(weak, 1.0))))
    return starts


def _valleys(looks: Looks, places: list[np.ndarray], has_middle: bool, *, reml: bool) -> list[tuple[str, np.ndarray]]:
    """Places along one variance, in order, that lie lower than both neighbours: other valleys than the known one."""
    parts = looks.design.components
    values = [profiled_deviance(looks.at(parts.from_factor(place)), looks.design, reml=reml)[0] for place in places]
    known = _ALONG.index(1.0) if has_middle else 0
    return [
        ("another valley", place)
        for index, place in enumerate(places)
        if index != known
        and (index == 0 or values[index] < values[index - 1])
        and (index == len(places) - 1 or values[index] < values[index + 1])
    ]


def _is_weak(parts: Components, term: int, matrix: np.ndarray, spread: np.ndarray) -> bool:
    """Whether some direction of a covariance is within a few standard errors of zero."""
    values, vectors = np.linalg.eigh(matrix)
    for value, vector in zip(values, vectors.T, strict=True):
        along = along_direction(parts, term, np.outer(vector, vector) * (2.0 - np.eye(len(vector))))
        if value <= _FEW_ERRORS * np.sqrt(max(float(along @ spread @ along), 0.0)):
            return True
    return False


def rows_per_level(design: DesignProducts) -> tuple[float, ...]:
    return tuple(design.n / count for count in design.structure.level_counts)


def scaled_identities(design: DesignProducts, scale: float) -> tuple[np.ndarray, ...]:
    pairs = zip(design.components.widths, rows_per_level(design), strict=True)
    return tuple(np.eye(width) * scale / rows for width, rows in pairs)


def along_direction(parts: Components, term: int, direction: np.ndarray) -> np.ndarray:
    return np.array([direction[item.row, item.column] if item.term == term else 0.0 for item in parts.items])
