"""The curves of a trial: every shape that its doses allow, fitted and set against each other."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Final

import numpy as np
import pandas as pd

from studykit.dose.model import DoseTrial
from studykit.errors import DesignError
from studykit.formatting import listed
from studykit.numerics.dose import curves, shapes
from studykit.numerics.dose.criteria import aicc, bic, weights
from studykit.numerics.dose.curves import ArmMeans, Curve, HalfDose

LABELS: Final = {
    curves.NONE: "the same at every dose",
    curves.STRAIGHT: "straight line",
    curves.LOGARITHM: "logarithm",
    curves.SATURATING: "saturating curve",
    curves.SPLINE: "natural spline",
    curves.STEPS: "steps in one direction",
    curves.FREE: "a mean of its own for each arm",
}
CURVES: Final = (curves.STRAIGHT, curves.LOGARITHM, curves.SATURATING, curves.SPLINE, curves.STEPS)
FEWEST_FOR_SPLINE: Final = 4


@dataclass(frozen=True, slots=True)
class Shapes:
    """All shapes of one trial.

    Attributes:
        arms: the means that they go through.
        fitted: shape -> curve; half: the saturating curve's half-maximal dose.
        compared: one row a shape: `shape`, `parameters` (of the curve), `minus_2_log_likelihood`, `aicc`, `bic`,
            `aicc_above_least`, `bic_above_least`, `weight`.
        rises: one row a shape and dose above 0: `shape`, `dose`, `rise`, `low`, `high`, in the unit of the measure.
        rising: whether steps go up (a higher reading is better) or down.
        refused: a sentence for each shape that the doses do not allow.
    """

    arms: ArmMeans = field(repr=False)
    fitted: dict[str, Curve] = field(repr=False)
    half: HalfDose = field(repr=False)
    compared: pd.DataFrame = field(repr=False)
    rises: pd.DataFrame = field(repr=False)
    rising: bool
    refused: tuple[str, ...]

    @property
    def best(self) -> str:
        """The curve with the least AICc (the least BIC where AICc is not known), constant and free means aside."""
        own = self.compared[self.compared["shape"].isin(CURVES)].set_index("shape")
        column = "aicc" if own["aicc"].notna().all() else "bic"
        return str(own[column].idxmin())


def shapes_of(trial: DoseTrial) -> Shapes:
    """Fit every shape.

    Raises:
        DesignError: no arm without a dose, or fewer than two different doses above 0.
        FitError: a shape could not be fitted.
    """
    doses = trial.doses()
    unit = trial.scale.axis.removesuffix(" asked for")
    if doses.min() > 0.0:
        raise DesignError(
            "Every arm was asked for a dose, so the change at dose 0 was not seen and a curve has nowhere to begin."
        )
    arms = ArmMeans(trial.means, trial.places(), doses, trial.model.fit.p)
    if len(arms.different) < 2:
        raise DesignError(
            f"Only one dose above 0 was tried ({doses.max():g} {unit}): every curve goes through two points, so shapes "
            "cannot be compared."
        )
    half = curves.half_maximal(arms, confidence=trial.confidence)
    rising = _rising(trial, arms)
    steps = curves.monotone_curve(arms, rising=rising)
    fitted = {
        curves.NONE: curves.no_curve(arms),
        curves.STRAIGHT: curves.linear_curve(curves.STRAIGHT, arms, shapes.straight),
        curves.LOGARITHM: curves.linear_curve(curves.LOGARITHM, arms, shapes.logarithm),
        curves.SATURATING: half.curve,
    }
    refused: tuple[str, ...] = ()
    if len(arms.different) + 1 >= FEWEST_FOR_SPLINE:
        knots = shapes.spline_knots(np.append(0.0, arms.different))
        fitted[curves.SPLINE] = curves.linear_curve(curves.SPLINE, arms, partial(shapes.natural_spline, knots=knots))
    else:
        tried = listed([f"{dose:g}" for dose in (0.0, *arms.different)])
        refused = (f"No spline: {FEWEST_FOR_SPLINE} different doses are the fewest for one, and {tried} were tried.",)
    fitted[curves.STEPS] = steps
    free, free_parameters = curves.free_deviance(arms)
    deviances = {**{shape: (one.deviance, one.parameters) for shape, one in fitted.items()}}
    deviances[curves.FREE] = free, free_parameters
    limits = curves.step_limits(arms, steps, rising=rising, confidence=trial.confidence)
    return Shapes(
        arms=arms,
        fitted=fitted,
        half=half,
        compared=_compared(deviances, trial.model.participants, fitted[curves.NONE].parameters),
        rises=pd.concat([_rises(one, arms.different, limits, trial.confidence) for one in fitted.values()]).reset_index(
            drop=True
        ),
        rising=rising,
        refused=refused,
    )


def _rising(trial: DoseTrial, arms: ArmMeans) -> bool:
    """Whether steps go up: towards better readings; where neither direction is better, as the straight line goes."""
    better = trial.measure.better
    if better != "neither":
        return better == "higher"
    return float(arms.fit(shapes.straight(arms.doses)).coefficients[-1]) >= 0.0


def _rises(curve: Curve, doses: np.ndarray, limits: tuple[np.ndarray, np.ndarray], confidence: float) -> pd.DataFrame:
    low, high = limits if curve.shape == curves.STEPS else curve.rise_interval(doses, confidence=confidence)
    return pd.DataFrame({"shape": curve.shape, "dose": doses, "rise": curve.rise(doses), "low": low, "high": high})


def _compared(deviances: dict[str, tuple[float, int]], people: int, none: int) -> pd.DataFrame:
    frame = pd.DataFrame(
        [
            (shape, count - none, deviance, aicc(deviance, count, people), bic(deviance, count, people))
            for shape, (deviance, count) in deviances.items()
        ],
        columns=["shape", "parameters", "minus_2_log_likelihood", "aicc", "bic"],
    )
    return frame.assign(
        aicc_above_least=frame["aicc"] - frame["aicc"].min(),
        bic_above_least=frame["bic"] - frame["bic"].min(),
        weight=weights(frame["aicc"].to_numpy()),
    )
