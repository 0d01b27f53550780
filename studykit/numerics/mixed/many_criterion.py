"""One look at many fits of one design at once, each at variance ratios of its own: `criterion` for a stack of fits.

The quantities are those of `criterion` and `information`, but of N_ij = [X y]' H^-1 G_i H^-1 G_j H^-1 [X y] only what
the deviance needs is formed. With A = [C X] (border levels, fixed effects), H1 the covariance without the border
terms, N and N_i the products of [A y] through H1^-1 and H1^-1 G_i H1^-1,

    P = H1^-1 - H1^-1 A Psi A' H1^-1,     Psi = [ Gain + S Phi S' , -S Phi ; -Phi S' , Phi ]
    Gain = (I + D N_cc)^-1 D,   S = Gain N_cx,   Phi = (X' H^-1 X)^-1
    P y = H1^-1 [A y] o,        o = (-Gain (N_cy - N_cx b), -b, 1)

so that, block by block with F = sum of A_b Psi A_b' and R = sum of r_b r_b', r_b = [A y]_b o,

    tr(P G_i P G_j)   = tr(H^-1 G_i H^-1 G_j) - 2 tr(H^-1 M_i H^-1 M_j H^-1 F) + tr(Psi N_i Psi N_j)
    y' P G_i P G_j P y = tr(H^-1 M_i H^-1 M_j H^-1 R) - (N_i o)' Psi (N_j o)

and border parameters follow from C' P C, C' P G_i P C and C' P y. For ML the traces are taken with H^-1 (Phi = 0).

Every product and every sum is formed for each fit by itself and from numbers that lie in memory in the same way however
many fits there are, so that the digits of a fit do not depend on the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.numerics.mixed.many_products import Kinds, ManyProducts, pack, pack_both, pairs_of, unpack


@dataclass(frozen=True, slots=True)
class KindSums:
    """What one batch's kinds contribute in a fits: H^-1 (a, T, k, k) and E_i = H^-1 M_i H^-1 (a, T, K_b + 1, k, k)."""

    inverse: np.ndarray
    through: np.ndarray


@dataclass(frozen=True, slots=True)
class ManyPoints:
    """a fits, each at its ratios; index 0 of the axes of length K + 1 is the residual.

    Attributes:
        which: (a,) outcomes; gamma: (a, K).
        defined: (a,) whether every covariance is positive definite and a residual is left; other rows hold no numbers.
        log_det_h, log_det_f, quadratic: (a,) as in `criterion.Point`; phi: (a, p, p); beta: (a, p).
        traces, quadratics: (a, K + 1); trace_pairs, quadratic_pairs: (a, K + 1, K + 1), as in `information`.
        plain: (a, w, w) N of A; first: (a, K_b + 1, w, w) N_i of A.
        gain: (a, q, q); shift: (a, q, p) S.
        sums: of every batch.
    """

    which: np.ndarray
    gamma: np.ndarray
    defined: np.ndarray
    log_det_h: np.ndarray
    log_det_f: np.ndarray
    quadratic: np.ndarray
    phi: np.ndarray
    beta: np.ndarray
    traces: np.ndarray
    quadratics: np.ndarray
    trace_pairs: np.ndarray
    quadratic_pairs: np.ndarray
    plain: np.ndarray
    first: np.ndarray
    gain: np.ndarray
    shift: np.ndarray
    sums: tuple[KindSums, ...]


def look(many: ManyProducts, which: np.ndarray, gamma: np.ndarray, *, reml: bool) -> ManyPoints:
    """The fits `which` (a,) at the ratios gamma (a, K)."""
    q = many.design.border_width
    sums, plain, first, with_y, log_det, traces, definite = _block_sums(many, which, gamma)
    gain, shift, log_det_border, positive = _border_gain(many, gamma, plain)
    root, told_apart = _cholesky(plain[:, q:, q:] - _t(plain[:, :q, q:]) @ shift)
    inverse_root = np.linalg.inv(root)
    y_border, y_fixed = with_y[:, 0, :q, None], with_y[:, 0, q:-1, None]
    turned = inverse_root @ (y_fixed - _t(shift) @ y_border)
    phi, beta = _t(inverse_root) @ inverse_root, _t(inverse_root) @ turned
    quadratic = with_y[:, 0, -1] - (_t(y_border) @ gain @ y_border + _t(turned) @ turned)[:, 0, 0]
    effects = np.concatenate([gain @ (y_border - plain[:, :q, q:] @ beta), beta], axis=1)
    weights = -effects
    psi = _psi(gain, shift, phi)
    psi_traces = psi if reml else _psi(gain, shift, np.zeros_like(phi))
    own = with_y[:, 1:, :-1]
    forces = (first @ weights[:, None])[..., 0] + own
    seen = _Seen(psi_traces, psi, weights, forces)
    trace_pairs, quadratic_pairs = _pairs(many, which, sums, first, seen)
    parts = Parts(
        traces=traces - _inner(first, psi_traces[:, None])[..., 0],
        quadratics=((forces + own) @ weights)[..., 0] + with_y[:, 1:, -1],
        trace_pairs=trace_pairs,
        quadratic_pairs=quadratic_pairs,
    )
    if q:
        parts = _with_border(many.selections, parts, plain, first, with_y[:, 0, :q], seen)
    order = np.argsort(np.concatenate([[0], many.block_items + 1, many.border_items + 1]))
    return ManyPoints(
        which=which,
        gamma=gamma,
        defined=definite & positive & told_apart & (quadratic > 0.0),
        log_det_h=log_det + log_det_border,
        log_det_f=2.0 * np.log(_diagonal(root)).sum(axis=-1),
        quadratic=quadratic,
        phi=phi,
        beta=beta[..., 0],
        traces=np.take(parts.traces, order, axis=1),
        quadratics=np.take(parts.quadratics, order, axis=1),
        trace_pairs=_sorted(parts.trace_pairs, order),
        quadratic_pairs=_sorted(parts.quadratic_pairs, order),
        plain=plain,
        first=first,
        gain=gain,
        shift=shift,
        sums=sums,
    )


def profiled_deviances(
    points: ManyPoints, many: ManyProducts, *, reml: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """d(gamma) (a,), its gradient (a, K) and its Hessian (a, K, K); infinite where a look is not defined."""
    count = many.design.n - many.design.p if reml else many.design.n
    quadratic = np.where(points.defined, points.quadratic, 1.0)
    value = count * np.log(quadratic) + points.log_det_h + (points.log_det_f if reml else 0.0)
    ratio = (count / quadratic)[:, None]
    q = points.quadratics[:, 1:]
    gradient = points.traces[:, 1:] - ratio * q
    outer = q[:, :, None] * q[:, None, :] / quadratic[:, None, None]
    hessian = -points.trace_pairs[:, 1:, 1:] + ratio[:, :, None] * (2.0 * points.quadratic_pairs[:, 1:, 1:] - outer)
    return np.where(points.defined, value, np.inf), gradient, 0.5 * (hessian + _t(hessian))


@dataclass(frozen=True, slots=True)
class Parts:
    """T_i, q_i, T_ij, q_ij: the residual first, then the block parameters, then those of the border."""

    traces: np.ndarray
    quadratics: np.ndarray
    trace_pairs: np.ndarray
    quadratic_pairs: np.ndarray


@dataclass(frozen=True, slots=True)
class _Seen:
    """Psi of the traces and of P (a, w, w), the weights of A in P y (a, w, 1), and N_i [A y] o (a, K_b + 1, w)."""

    psi_traces: np.ndarray
    psi: np.ndarray
    weights: np.ndarray
    forces: np.ndarray


_BlockSums = tuple[tuple[KindSums, ...], np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _block_sums(many: ManyProducts, which: np.ndarray, gamma: np.ndarray) -> _BlockSums:
    """Kernels of every kind; N and N_i of A; N and N_i of [A y] with y; log |H1|; tr(H1^-1 G_i); which are definite."""
    design, width = many.design, many.width
    count, parameters = which.size, len(design.block_items) + 1
    products = np.zeros((count, parameters + 1, width * (width + 1) // 2))
    with_y = np.zeros((count, parameters + 1, width + 1))
    log_det, traces, definite = np.zeros(count), np.zeros((count, parameters)), np.ones(count, dtype=bool)
    products[:, :2], with_y[:, :2] = pack(design.rest), many.rest[which, None]
    traces[:, 0] = design.spare
    ratios = np.ones((count, parameters))
    ratios[:, 1:] = np.take(gamma, many.block_items, axis=1)
    sums = []
    for kinds, outcomes in zip(many.kinds, many.outcomes, strict=True):
        one, lost, positive = _kind_sums(kinds, ratios)
        packed = pack(np.concatenate([one.inverse[:, :, None], one.through], axis=2))
        packed = np.moveaxis(packed, 2, 1).reshape(count, parameters + 1, -1)
        products += packed @ kinds.packed
        with_y += packed @ outcomes[which]
        weighted = (kinds.counts[:, None, None] * one.inverse).reshape(count, 1, -1)
        traces += (weighted @ _by_parameter(kinds).T)[:, 0]
        log_det += lost
        definite &= positive
        sums.append(one)
    whole = unpack(products, width)
    return tuple(sums), whole[:, 0], whole[:, 1:], with_y, log_det, traces, definite


def _kind_sums(kinds: Kinds, ratios: np.ndarray) -> tuple[KindSums, np.ndarray, np.ndarray]:
    """Inverse blocks of each kind and what follows from them; log |H| over all blocks; which fits are definite."""
    count, size, parameters = ratios.shape[0], kinds.size, ratios.shape[1]
    roots, definite = _cholesky((ratios[:, None] @ _by_parameter(kinds)).reshape(count, -1, size, size))
    inverse_root = np.linalg.inv(roots)
    inverse = _t(inverse_root) @ inverse_root
    half = (kinds.patterns.reshape(-1, parameters * size, size) @ inverse).reshape(count, -1, parameters, size, size)
    through = (_t(half).reshape(count, -1, parameters * size, size) @ inverse).reshape(half.shape)
    log_diagonal = np.log(_diagonal(roots)).reshape(count, 1, -1)
    log_det = 2.0 * (log_diagonal @ np.repeat(kinds.counts, size)[:, None])[:, 0, 0]
    return KindSums(inverse, through), log_det, definite


def _by_parameter(kinds: Kinds) -> np.ndarray:
    """(K_b + 1, T * k * k) patterns of every kind, one parameter a row."""
    return np.moveaxis(kinds.patterns, 0, 1).reshape(kinds.patterns.shape[1], -1)


def _border_gain(
    many: ManyProducts, gamma: np.ndarray, plain: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Gain (a, q, q), S (a, q, p), log |I + D N_cc| (a,), and where that is positive."""
    q, count = many.design.border_width, gamma.shape[0]
    flat = many.selections.reshape(len(many.selections), q * q)
    covariance = (np.take(gamma, many.border_items, axis=1)[:, None] @ flat).reshape(count, q, q)
    system = np.eye(q) + covariance @ plain[:, :q, :q]
    sign, log_det = np.linalg.slogdet(system)
    positive = sign > 0.0
    system = np.where(positive[:, None, None], system, np.eye(q))
    gain = np.linalg.solve(system, covariance)
    gain = 0.5 * (gain + _t(gain))
    return gain, gain @ plain[:, :q, q:], np.where(positive, log_det, 0.0), positive


def _psi(gain: np.ndarray, shift: np.ndarray, phi: np.ndarray) -> np.ndarray:
    """(a, w, w) Psi."""
    across = -shift @ phi
    above = np.concatenate([gain - across @ _t(shift), across], axis=2)
    return np.concatenate([above, np.concatenate([_t(across), phi], axis=2)], axis=1)


def _pairs(
    many: ManyProducts, which: np.ndarray, sums: tuple[KindSums, ...], first: np.ndarray, seen: _Seen
) -> tuple[np.ndarray, np.ndarray]:
    """T_ij and q_ij of the residual and the block parameters, (a, K_b + 1, K_b + 1) each."""
    count, parameters, width = first.shape[:3]
    sides = first.reshape(count, parameters * width, width) @ seen.psi_traces
    sides = sides.reshape(first.shape)
    trace_pairs = _inner(sides, _t(sides))
    quadratic_pairs = -(seen.forces @ seen.psi @ _t(seen.forces))
    weights = seen.weights
    weighed, outer = pack_both(seen.psi_traces)[..., None], pack_both(weights * _t(weights))[..., None]
    rest = many.rest[which]
    trace_pairs[:, 0, 0] += many.design.spare - 2.0 * (pack(many.design.rest) @ weighed)[:, 0]
    quadratic_pairs[:, 0, 0] += (pack(many.design.rest) @ outer)[:, 0] + rest[:, -1]
    quadratic_pairs[:, 0, 0] += 2.0 * (rest[:, None, :-1] @ weights)[:, 0, 0]
    for kinds, outcomes, one in zip(many.kinds, many.outcomes, sums, strict=True):
        mine, size = outcomes[which], kinds.size
        rows, columns = pairs_of(size)
        half = np.tile(np.where(rows == columns, 1.0, 0.5), kinds.counts.size)
        by_design = half * (kinds.packed @ weighed)[..., 0]
        by_residual = half * (kinds.packed @ outer + 2.0 * (mine[:, :, :-1] @ weights) + mine[:, :, -1:])[..., 0]
        by_design, by_residual = (
            one.inverse @ unpack(packed.reshape(count, -1, rows.size), size) for packed in (by_design, by_residual)
        )
        patterns = kinds.patterns.reshape(-1, parameters * size, size)
        by_design = patterns @ (kinds.counts[:, None, None] * np.eye(size) - 2.0 * by_design)
        trace_pairs += _inner(one.through, by_design.reshape(one.through.shape)).sum(axis=1)
        quadratic_pairs += _inner(one.through, (patterns @ by_residual).reshape(one.through.shape)).sum(axis=1)
    return trace_pairs, quadratic_pairs


def _with_border(
    selections: np.ndarray, parts: Parts, plain: np.ndarray, first: np.ndarray, with_y: np.ndarray, seen: _Seen
) -> Parts:
    """The same with the border parameters after the others; `with_y` (a, q) = C' H1^-1 y."""
    q = selections.shape[-1]
    to_border = plain[:, :, :q]
    kept = [np.eye(plain.shape[1], q) - psi @ to_border for psi in (seen.psi_traces, seen.psi)]
    within = [_t(to_border) @ keep for keep in kept]  # C' H^-1 C or C' P C
    effects = (_t(to_border) @ seen.weights)[..., 0] + with_y  # C' P y
    flat = selections.reshape(len(selections), q * q).T
    moved = selections @ within[0][:, None]
    pushed = (selections @ effects[:, None, :, None])[..., 0]
    middle = _t(kept[0])[:, None] @ (first @ kept[0][:, None])
    crossed = middle.reshape(*middle.shape[:2], q * q) @ flat
    crossed_quadratics = seen.forces @ kept[1] @ _t(pushed)
    return Parts(
        traces=np.concatenate([parts.traces, (within[0].reshape(-1, 1, q * q) @ flat)[:, 0]], axis=1),
        quadratics=np.concatenate([parts.quadratics, (pushed @ effects[..., None])[..., 0]], axis=1),
        trace_pairs=_bordered(parts.trace_pairs, crossed, _inner(moved, _t(moved))),
        quadratic_pairs=_bordered(parts.quadratic_pairs, crossed_quadratics, pushed @ within[1] @ _t(pushed)),
    )


def _bordered(own: np.ndarray, crossed: np.ndarray, corner: np.ndarray) -> np.ndarray:
    above, below = np.concatenate([own, crossed], axis=2), np.concatenate([_t(crossed), corner], axis=2)
    return np.concatenate([above, below], axis=1)


def _sorted(pairs: np.ndarray, order: np.ndarray) -> np.ndarray:
    return np.take(np.take(pairs, order, axis=1), order, axis=2)


def _cholesky(matrices: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lower Cholesky factors of (a, ..., k, k), and which fits (a,) have them; the others get identities."""
    definite = np.ones(matrices.shape[0], dtype=bool)
    try:
        return np.linalg.cholesky(matrices), definite
    except np.linalg.LinAlgError:
        roots = np.broadcast_to(np.eye(matrices.shape[-1]), matrices.shape).copy()
        for place, one in enumerate(matrices):
            try:
                roots[place] = np.linalg.cholesky(one)
            except np.linalg.LinAlgError:
                definite[place] = False
        return roots, definite


def _t(matrices: np.ndarray) -> np.ndarray:
    return np.swapaxes(matrices, -1, -2)


def _diagonal(matrices: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(np.diagonal(matrices, axis1=-2, axis2=-1))


def _inner(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """(..., i, j) sums of products of the matrices first[..., i] and second[..., j], entry by entry."""
    left, right = (part.reshape(*part.shape[:-2], -1) for part in (first, second))
    return np.asarray(left @ _t(right))
