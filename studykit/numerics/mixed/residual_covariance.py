"""Shapes that the covariance of one subject's repeated visits may take.

A shape is a smooth map from a few natural parameters to the covariance matrix over all planned visits. Inference
(information matrices, Kenward-Roger) is done in the natural parameters; the optimiser walks in free parameters that
may take any real value and always give a positive definite matrix.

    word                              natural parameters                          linear?
    unstructured                      every variance and covariance                yes
    compound-symmetry                 one variance, one covariance                 yes
    independent-by-visit              a variance per visit                         yes
    heterogeneous-compound-symmetry   a standard deviation per visit, correlation  no
    autoregressive                    variance, correlation of neighbours          no

"Linear" says that the covariance is a linear function of its natural parameters, so that the second-derivative term
of Kenward & Roger (1997, Biometrics 53, 983-997) is zero. For the other two the term depends on the parametrisation;
the one in the table is used.

Source of the shapes: Jennrich & Schluchter (1986), Biometrics 42, 805-820 (from memory).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studykit.errors import check_choice

Array = NDArray[np.float64]

COVARIANCE_WORDS = (
    "unstructured",
    "heterogeneous-compound-symmetry",
    "compound-symmetry",
    "autoregressive",
    "independent-by-visit",
)


@dataclass(frozen=True, slots=True)
class CovarianceShape(ABC):
    """One shape over `n_visits` planned visits; theta are natural, phi free parameters."""

    n_visits: int

    word = ""
    parametrisation = ""
    linear = True

    @abstractmethod
    def names(self, visits: Sequence[str]) -> tuple[str, ...]:
        """Names of the natural parameters, given the names of the visits."""

    @abstractmethod
    def covariance(self, theta: Array) -> Array:
        """Covariance over all visits, (t, t)."""

    @abstractmethod
    def first(self, theta: Array) -> Array:
        """First derivatives, (k, t, t)."""

    def second(self, theta: Array) -> Array | None:  # noqa: ARG002 - a linear shape needs no parameters
        """Second derivatives, (k, k, t, t); None when the shape is linear."""
        return None

    @abstractmethod
    def free(self, theta: Array) -> Array:
        """Free parameters of the natural ones."""

    @abstractmethod
    def natural(self, phi: Array) -> Array:
        """Natural parameters of the free ones."""

    @abstractmethod
    def jacobian(self, phi: Array) -> Array:
        """d theta / d phi, (k, k)."""

    @abstractmethod
    def start(self, moments: Array) -> Array:
        """Natural parameters near a positive definite moment estimate, (t, t)."""

    def units(self, scale: float) -> Array:
        """What each natural parameter is multiplied by when the outcome is multiplied by `scale`, (k,)."""
        return np.full(self.start(np.eye(self.n_visits)).size, scale**2)


class Unstructured(CovarianceShape):
    """Every variance and covariance free; theta is the lower triangle row by row; phi its log-Cholesky factor."""

    word = "unstructured"
    parametrisation = "variances and covariances"

    def _pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        return np.tril_indices(self.n_visits)

    def names(self, visits: Sequence[str]) -> tuple[str, ...]:
        return tuple(
            f"variance {visits[a]}" if a == b else f"covariance {visits[b]}, {visits[a]}"
            for a, b in zip(*self._pairs(), strict=True)
        )

    def covariance(self, theta: Array) -> Array:
        rows, columns = self._pairs()
        matrix = np.zeros((self.n_visits, self.n_visits))
        matrix[rows, columns] = theta
        matrix[columns, rows] = theta
        return matrix

    def first(self, theta: Array) -> Array:
        rows, columns = self._pairs()
        derivatives = np.zeros((theta.size, self.n_visits, self.n_visits))
        derivatives[np.arange(theta.size), rows, columns] = 1.0
        derivatives[np.arange(theta.size), columns, rows] = 1.0
        return derivatives

    def free(self, theta: Array) -> Array:
        factor = np.linalg.cholesky(self.covariance(theta))
        np.fill_diagonal(factor, np.log(np.diag(factor)))
        return np.asarray(factor[self._pairs()], dtype=np.float64)

    def _factor(self, phi: Array) -> Array:
        factor = np.zeros((self.n_visits, self.n_visits))
        factor[self._pairs()] = phi
        np.fill_diagonal(factor, np.exp(np.diag(factor)))
        return factor

    def natural(self, phi: Array) -> Array:
        factor = self._factor(phi)
        return np.asarray((factor @ factor.T)[self._pairs()], dtype=np.float64)

    def jacobian(self, phi: Array) -> Array:
        factor = self._factor(phi)
        rows, columns = self._pairs()
        jacobian = np.zeros((phi.size, phi.size))
        for position, (a, b) in enumerate(zip(rows, columns, strict=True)):
            change = np.zeros_like(factor)
            change[a] = factor[:, b] * (factor[a, a] if a == b else 1.0)
            jacobian[:, position] = (change + change.T)[rows, columns]
        return jacobian

    def start(self, moments: Array) -> Array:
        return np.asarray(moments[self._pairs()], dtype=np.float64)


class IndependentByVisit(CovarianceShape):
    """A variance per visit, no correlation."""

    word = "independent-by-visit"
    parametrisation = "variances"

    def names(self, visits: Sequence[str]) -> tuple[str, ...]:
        return tuple(f"variance {visit}" for visit in visits)

    def covariance(self, theta: Array) -> Array:
        return np.diag(theta)

    def first(self, theta: Array) -> Array:
        derivatives = np.zeros((theta.size, theta.size, theta.size))
        visit = np.arange(theta.size)
        derivatives[visit, visit, visit] = 1.0
        return derivatives

    def free(self, theta: Array) -> Array:
        return np.log(theta)

    def natural(self, phi: Array) -> Array:
        return np.exp(phi)

    def jacobian(self, phi: Array) -> Array:
        return np.diag(np.exp(phi))

    def start(self, moments: Array) -> Array:
        return np.diag(moments).copy()


def _lowest_correlation(n_visits: int) -> float:
    """The common correlation at which `n_visits` visits become singular: -1/(t - 1)."""
    return -1.0 / max(n_visits - 1, 1)


def _correlation_of(phi: float, lowest: float) -> tuple[float, float]:
    """Correlation in (lowest, 1) of a free number, and its derivative."""
    share = 0.5 * (1.0 + np.tanh(0.5 * phi))
    return lowest + (1.0 - lowest) * share, (1.0 - lowest) * share * (1.0 - share)


def _free_of(correlation: float, lowest: float) -> float:
    share = (correlation - lowest) / (1.0 - lowest)
    return float(np.log(share) - np.log1p(-share))


def _mean_correlation(moments: Array, lag: int | None = None) -> float:
    """Average correlation over all pairs of visits, or over those `lag` apart, kept well inside its range."""
    sd = np.sqrt(np.diag(moments))
    correlations = moments / np.outer(sd, sd)
    pairs = np.tril_indices(sd.size, -1) if lag is None else (np.arange(lag, sd.size), np.arange(sd.size - lag))
    lowest = _lowest_correlation(sd.size) if lag is None else -1.0
    mean = float(np.mean(correlations[pairs])) if pairs[0].size else 0.0
    return float(np.clip(mean, 0.9 * lowest, 0.95))


class CompoundSymmetry(CovarianceShape):
    """One variance and one covariance for all visits."""

    word = "compound-symmetry"
    parametrisation = "variance and covariance"

    def names(self, visits: Sequence[str]) -> tuple[str, ...]:  # noqa: ARG002 - the same for all visits
        return ("variance", "covariance")

    def covariance(self, theta: Array) -> Array:
        matrix = np.full((self.n_visits, self.n_visits), theta[1])
        np.fill_diagonal(matrix, theta[0])
        return matrix

    def first(self, theta: Array) -> Array:  # noqa: ARG002 - constant
        identity = np.eye(self.n_visits)
        return np.stack([identity, 1.0 - identity])

    def free(self, theta: Array) -> Array:
        correlation = theta[1] / theta[0]
        return np.array([np.log(theta[0]), _free_of(correlation, _lowest_correlation(self.n_visits))])

    def natural(self, phi: Array) -> Array:
        correlation, _ = _correlation_of(phi[1], _lowest_correlation(self.n_visits))
        return np.asarray(np.exp(phi[0]) * np.array([1.0, correlation]), dtype=np.float64)

    def jacobian(self, phi: Array) -> Array:
        correlation, slope = _correlation_of(phi[1], _lowest_correlation(self.n_visits))
        return np.asarray(np.exp(phi[0]) * np.array([[1.0, 0.0], [correlation, slope]]), dtype=np.float64)

    def start(self, moments: Array) -> Array:
        variance = float(np.mean(np.diag(moments)))
        return np.array([variance, variance * _mean_correlation(moments)])


class Autoregressive(CovarianceShape):
    """First-order autoregression over the planned visits in their order: variance times correlation^|a - b|."""

    word = "autoregressive"
    parametrisation = "variance and correlation of neighbouring visits"
    linear = False

    def names(self, visits: Sequence[str]) -> tuple[str, ...]:  # noqa: ARG002 - the same for all visits
        return ("variance", "correlation")

    def _lags(self) -> Array:
        visit = np.arange(self.n_visits)
        return np.asarray(np.abs(visit[:, None] - visit[None, :]), dtype=np.float64)

    def covariance(self, theta: Array) -> Array:
        return np.asarray(theta[0] * theta[1] ** self._lags(), dtype=np.float64)

    def _slopes(self, correlation: float) -> tuple[Array, Array, Array]:
        """correlation^lag and its first and second derivative."""
        lag = self._lags()
        first = np.where(lag > 0, lag * correlation ** np.maximum(lag - 1, 0), 0.0)
        second = np.where(lag > 1, lag * (lag - 1) * correlation ** np.maximum(lag - 2, 0), 0.0)
        return correlation**lag, first, second

    def first(self, theta: Array) -> Array:
        power, first, _ = self._slopes(float(theta[1]))
        return np.stack([power, float(theta[0]) * first])

    def second(self, theta: Array) -> Array:
        _, first, second = self._slopes(float(theta[1]))
        return np.stack(
            [np.stack([np.zeros_like(first), first]), np.stack([first, theta[0] * second])],
        )

    def free(self, theta: Array) -> Array:
        return np.array([np.log(theta[0]), _free_of(theta[1], -1.0)])

    def natural(self, phi: Array) -> Array:
        return np.array([np.exp(phi[0]), _correlation_of(phi[1], -1.0)[0]])

    def jacobian(self, phi: Array) -> Array:
        return np.diag([np.exp(phi[0]), _correlation_of(phi[1], -1.0)[1]])

    def start(self, moments: Array) -> Array:
        return np.array([np.mean(np.diag(moments)), _mean_correlation(moments, lag=1)])

    def units(self, scale: float) -> Array:
        return np.array([scale**2, 1.0])


class HeterogeneousCompoundSymmetry(CovarianceShape):
    """A standard deviation per visit and one correlation for all pairs of visits."""

    word = "heterogeneous-compound-symmetry"
    parametrisation = "standard deviations and correlation"
    linear = False

    def names(self, visits: Sequence[str]) -> tuple[str, ...]:
        return (*(f"sd {visit}" for visit in visits), "correlation")

    def _pattern(self, correlation: float) -> Array:
        pattern = np.full((self.n_visits, self.n_visits), correlation)
        np.fill_diagonal(pattern, 1.0)
        return pattern

    def covariance(self, theta: Array) -> Array:
        sd, correlation = theta[:-1], theta[-1]
        return np.outer(sd, sd) * self._pattern(correlation)

    def first(self, theta: Array) -> Array:
        sd, pattern = theta[:-1], self._pattern(theta[-1])
        derivatives = np.zeros((theta.size, sd.size, sd.size))
        for visit in range(sd.size):
            derivatives[visit, visit, :] += sd * pattern[visit]
            derivatives[visit, :, visit] += sd * pattern[visit]
        derivatives[-1] = np.outer(sd, sd) * (1.0 - np.eye(sd.size))
        return derivatives

    def second(self, theta: Array) -> Array:
        sd, pattern = theta[:-1], self._pattern(theta[-1])
        derivatives = np.zeros((theta.size, theta.size, sd.size, sd.size))
        for a in range(sd.size):
            for b in range(sd.size):
                derivatives[a, b, a, b] += pattern[a, b]
                derivatives[a, b, b, a] += pattern[a, b]
            row = np.zeros((sd.size, sd.size))
            row[a] = sd * (np.arange(sd.size) != a)
            derivatives[a, -1] = derivatives[-1, a] = row + row.T
        return derivatives

    def free(self, theta: Array) -> Array:
        return np.append(np.log(theta[:-1]), _free_of(theta[-1], _lowest_correlation(self.n_visits)))

    def natural(self, phi: Array) -> Array:
        return np.append(np.exp(phi[:-1]), _correlation_of(phi[-1], _lowest_correlation(self.n_visits))[0])

    def jacobian(self, phi: Array) -> Array:
        slope = _correlation_of(phi[-1], _lowest_correlation(self.n_visits))[1]
        return np.diag(np.append(np.exp(phi[:-1]), slope))

    def start(self, moments: Array) -> Array:
        return np.append(np.sqrt(np.diag(moments)), _mean_correlation(moments))

    def units(self, scale: float) -> Array:
        return np.append(np.full(self.n_visits, scale), 1.0)


_SHAPES: dict[str, type[CovarianceShape]] = {
    shape.word: shape
    for shape in (
        Unstructured,
        HeterogeneousCompoundSymmetry,
        CompoundSymmetry,
        Autoregressive,
        IndependentByVisit,
    )
}


def covariance_shape(word: str, n_visits: int) -> CovarianceShape:
    """The shape of that word over `n_visits` visits; with one visit every shape is a single variance.

    Raises:
        CallError: the word is not one of `COVARIANCE_WORDS`.
    """
    check_choice(word, COVARIANCE_WORDS, "covariance")
    return _SHAPES[word if n_visits > 1 else "independent-by-visit"](n_visits)
