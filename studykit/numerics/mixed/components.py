"""The covariance parameters of the random terms: their order, their working units, and their factors.

A term with c correlated effects has c (c + 1) / 2 parameters, the entries (a, b), a >= b, of its covariance, column
after column; a term with uncorrelated effects has the c variances. The residual variance is kept apart.

The engine works in columns of its own: Z T instead of Z, T lower triangular, so that the columns of a term are
orthonormal over the rows (root mean square 1). A date in years since zero is then as harmless as a centred one. The
covariance of the effects of Z is T D T' when D is that of the effects of Z T.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.numerics.mixed.terms import RandomTerm


@dataclass(frozen=True, slots=True)
class Component:
    """One covariance parameter: entry (row, column) of the covariance of the term's effects."""

    term: int
    row: int
    column: int


@dataclass(frozen=True, slots=True)
class Components:
    """Every covariance parameter but the residual's, and the maps between the forms they take.

    Attributes:
        items: K parameters in order.
        widths: number of effects of each term.
        correlated: of each term.
        transforms: (c, c) lower-triangular T of each term.
        factor_items: f entries (term, row, column) of the lower-triangular factors L, D = L L'.
        products: (K, f, f) symmetric; gamma_k = factor' products[k] factor / 2.
        outward: (K, K); parameters of the effects of Z = outward @ those of the working effects.
    """

    items: tuple[Component, ...]
    widths: tuple[int, ...]
    correlated: tuple[bool, ...]
    transforms: tuple[np.ndarray, ...]
    factor_items: tuple[Component, ...]
    products: np.ndarray
    outward: np.ndarray

    def matrices(self, gamma: np.ndarray) -> tuple[np.ndarray, ...]:
        """(..., c, c) covariance of each term, from the (..., K) parameters."""
        made = [np.zeros((*gamma.shape[:-1], width, width)) for width in self.widths]
        for place, item in enumerate(self.items):
            matrix = made[item.term]
            matrix[..., item.row, item.column] = matrix[..., item.column, item.row] = gamma[..., place]
        return tuple(made)

    def vector(self, matrices: tuple[np.ndarray, ...]) -> np.ndarray:
        """The K parameters, from the (c, c) covariance of each term."""
        return np.array([matrices[item.term][item.row, item.column] for item in self.items])

    def factor(self, matrices: tuple[np.ndarray, ...]) -> np.ndarray:
        """The (..., f) entries of the lower-triangular factors of positive semidefinite matrices, singular or not."""
        factors = [lower_factor(matrix) for matrix in matrices]
        return np.stack([factors[item.term][..., item.row, item.column] for item in self.factor_items], axis=-1)

    def from_factor(self, factor: np.ndarray) -> np.ndarray:
        """The K parameters, from the f entries of the factors."""
        value: np.ndarray = 0.5 * np.einsum("i,kij,j->k", factor, self.products, factor)
        return value


def lower_factor(matrix: np.ndarray) -> np.ndarray:
    """Lower-triangular L with L L' = matrix, for positive semidefinite (..., c, c); diagonal of L not negative."""
    values, vectors = np.linalg.eigh(matrix)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))[..., None, :]
    upper: np.ndarray = np.asarray(np.linalg.qr(np.swapaxes(root, -1, -2), mode="r"))
    signs = np.where(np.diagonal(upper, axis1=-2, axis2=-1) < 0.0, -1.0, 1.0)
    result: np.ndarray = np.swapaxes(upper, -1, -2) * signs[..., None, :]
    return result


def components_of(terms: tuple[RandomTerm, ...]) -> Components:
    """The parameters of the terms, in order, with working units taken from the columns of each term."""
    items, factor_items = [], []
    for index, term in enumerate(terms):
        for column in range(term.width):
            rows = range(column, term.width) if term.correlated else (column,)
            items += [Component(index, row, column) for row in rows]
    factor_items = list(items)
    transforms = tuple(_transform(term) for term in terms)
    widths = tuple(term.width for term in terms)
    return Components(
        items=tuple(items),
        widths=widths,
        correlated=tuple(term.correlated for term in terms),
        transforms=transforms,
        factor_items=tuple(factor_items),
        products=_products(items, factor_items),
        outward=_outward(items, transforms),
    )


def _transform(term: RandomTerm) -> np.ndarray:
    """T lower triangular with the columns of Z T orthonormal in mean square (only scaled when uncorrelated)."""
    columns = term.columns
    scale = np.sqrt(np.mean(columns**2, axis=0))
    scale = np.where(scale > 0.0, scale, 1.0)
    if not term.correlated or term.width == 1:
        return np.diag(1.0 / scale)
    # Columns reversed, QR gives an upper triangle; reversed again it is the lower triangle of Z = Q M.
    upper = np.asarray(np.linalg.qr((columns / scale)[:, ::-1], mode="r")) / np.sqrt(len(columns))
    lower = upper[::-1, ::-1] * scale
    lower = lower * np.where(np.diag(lower) < 0.0, -1.0, 1.0)[:, None]
    if np.min(np.abs(np.diag(lower)) / scale) < 1e-10:
        return np.diag(1.0 / scale)
    inverse: np.ndarray = np.tril(np.linalg.inv(lower))
    return inverse


def _products(items: list[Component], factor_items: list[Component]) -> np.ndarray:
    place = {(item.term, item.row, item.column): index for index, item in enumerate(factor_items)}
    products = np.zeros((len(items), len(factor_items), len(factor_items)))
    for index, item in enumerate(items):
        for middle in range(item.column + 1):
            first, second = place.get((item.term, item.row, middle)), place.get((item.term, item.column, middle))
            if first is not None and second is not None:
                products[index, first, second] += 1.0
                products[index, second, first] += 1.0
    return products


def _outward(items: list[Component], transforms: tuple[np.ndarray, ...]) -> np.ndarray:
    outward = np.zeros((len(items), len(items)))
    for source, item in enumerate(items):
        transform = transforms[item.term]
        unit = np.zeros_like(transform)
        unit[item.row, item.column] = unit[item.column, item.row] = 1.0
        image = transform @ unit @ transform.T
        for target, other in enumerate(items):
            if other.term == item.term:
                outward[target, source] = image[other.row, other.column]
    return outward
