"""The change model of a trial, seen from the dose: the arms' means at the primary visit, and what was asked of them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from studykit.change.beside import MdcBeside
from studykit.change.contrasts import estimates
from studykit.change.longitudinal import ChangeByArm
from studykit.change.model import ChangeModel, fit_change
from studykit.change.readings import FREE, ChangeReadings, readings_for_change
from studykit.data.study import Study
from studykit.dose.asked import SCALES, Scale, check_allocated
from studykit.errors import DesignError
from studykit.formatting import listed
from studykit.numerics.mixed.restricted_means import RestrictedMeans
from studykit.protocol import Arm, Measure


@dataclass(frozen=True, slots=True)
class DoseTrial:
    """What every question about a randomised dose stands on.

    Attributes:
        study: the checked study.
        readings: the outcomes of the primary measure.
        model: the change model: constrained baseline, a mean for each arm and later visit, Kenward–Roger. Its means are
            free even where the protocol holds those of change to a straight line: dose compares means of one visit.
        means: the same model, ready to have its means held to a curve.
        scale: how dose is counted.
        arms: keys of the arms in the order of the readings.
        mdc: the MDC beside every finding, or None.
    """

    study: Study = field(repr=False)
    readings: ChangeReadings = field(repr=False)
    model: ChangeModel = field(repr=False)
    means: RestrictedMeans = field(repr=False)
    scale: Scale
    arms: tuple[str, ...]
    mdc: MdcBeside | None

    @property
    def measure(self) -> Measure:
        """The primary measure."""
        return self.study.protocol.measures[self.readings.measure]

    @property
    def confidence(self) -> float:
        """Level of the intervals."""
        return self.study.protocol.study.confidence

    @property
    def visit_label(self) -> str:
        """Label of the primary visit."""
        return self.study.protocol.visit(self.readings.primary_visit).label

    def plan(self, arm: str) -> Arm:
        """What the protocol says of an arm."""
        return self.study.protocol.arms[arm]

    def doses(self, visit: str | None = None) -> np.ndarray:
        """(a,) dose of each arm up to a visit, the primary one when left out."""
        week = float(self.study.protocol.visit(visit or self.readings.primary_visit).week)
        return np.array([self.scale.of(self.plan(arm).dose, week) for arm in self.arms])

    def places(self, visit: str | None = None) -> np.ndarray:
        """(a,) which fixed effect of the model is the mean of each arm at a visit; -1 where nobody was measured."""
        found = self.model.changes[["arm", "visit"]].apply(tuple, axis="columns").tolist()
        at = visit or self.readings.primary_visit
        weights = self.model.change_weights
        return np.array(
            [int(np.argmax(weights[:, found.index((arm, at))])) if (arm, at) in found else -1 for arm in self.arms]
        )

    def contrasts(self, weights: np.ndarray) -> pd.DataFrame:
        """Weighted sums of the arms' means at the primary visit with Kenward–Roger intervals.

        Args:
            weights: (a, m); a column that does not sum to zero is taken of the changes from the baseline.

        Returns:
            m rows of `change.contrasts.ESTIMATE_COLUMNS`.
        """
        return estimates(self.model.fit.ingredients(), self.spread(weights), self.confidence)

    def spread(self, weights: np.ndarray) -> np.ndarray:
        """(p, m) the same weights on all fixed effects of the model."""
        columns = np.zeros((self.model.fit.p, weights.shape[1]))
        columns[self.places()] = weights
        return columns


def dose_trial(study: Study, *, mdc: MdcBeside | None, change: ChangeByArm | None = None) -> DoseTrial:
    """Fit the change model of the primary measure with free means, or take the one that is at hand.

    Args:
        study: the checked study.
        mdc: the MDC of the primary measure, or None.
        change: the answer about change of the primary measure where it was given already.

    Raises:
        DesignError: nobody was allocated to a dose, or the readings cannot carry the change model.
        FitError: no fit that may be trusted was found.
    """
    check_allocated(study.protocol)
    readings = change.readings if change is not None else readings_for_change(study)
    confidence = study.protocol.study.confidence
    model = (
        change.model
        if change is not None and change.model.course == FREE
        else fit_change(replace(readings, course=FREE), confidence=confidence, shared_baseline=True)
    )
    return DoseTrial(
        study=study,
        readings=readings,
        model=model,
        means=RestrictedMeans(model.fit),
        scale=SCALES[study.protocol.study.dose_measure],
        arms=tuple(readings.arms),
        mdc=mdc,
    )


def check_doses_differ(trial: DoseTrial) -> None:
    """Refuse a slope over one dose.

    Raises:
        DesignError: every arm has the same dose.
    """
    doses = trial.doses()
    if np.ptp(doses) == 0.0:
        raise DesignError(
            f"All arms were asked for the same {trial.scale.axis.removesuffix(' asked for')} "
            f"({listed(sorted({f'{dose:g}' for dose in doses}))}), so nothing can be said about more or less of it."
        )
