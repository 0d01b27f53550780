"""Information criteria of models fitted by maximum likelihood, and the weights that follow from them.

    AIC  = D + 2 k                          D = -2 log L, k parameters of mean and covariance
    AICc = AIC + 2 k (k + 1) / (n - k - 1)
    BIC  = D + k log n

n is the number of independent units, people here and not readings: readings of one person say less than as many people
(Jones 2011, Stat. Med. 30, 3050–3056). AICc: Hurvich & Tsai (1989) Biometrika 76, 297–307; weights: Burnham & Anderson
(2002) Model Selection and Multimodel Inference, section 2.9; BIC: Schwarz (1978) Ann. Stat. 6, 461–464 (all from
memory). The small-sample term of AICc is exact for linear models with independent errors only; here it is a guide.
"""

from __future__ import annotations

import numpy as np


def aicc(deviance: float, parameters: int, units: int) -> float:
    """AICc; nan when there are no more units than parameters + 1."""
    free = units - parameters - 1
    if free <= 0:
        return float("nan")
    return deviance + 2.0 * parameters + 2.0 * parameters * (parameters + 1.0) / free


def bic(deviance: float, parameters: int, units: int) -> float:
    """BIC."""
    return deviance + parameters * float(np.log(units))


def weights(criterion: np.ndarray) -> np.ndarray:
    """(m,) exp(-difference / 2) of each from the least, scaled to sum to 1; nan throughout where one is not known."""
    values = np.asarray(criterion, dtype=float)
    relative = np.exp(-0.5 * (values - values.min()))
    share: np.ndarray = relative / relative.sum()
    return share
