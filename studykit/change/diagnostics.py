"""Does the model of change fit? Residuals, people's effects, influence of one person, variances of zero.

Each check has a limit that was decided beforehand. Passing it says "look here"; it removes nobody and changes nothing.

    spread      SD of the residuals in the highest third of the fitted values over that in the lowest: 0.5 to 2 (the
                usual rule for groups' SDs: Moore & McCabe, Introduction to the Practice of Statistics, from memory)
    shape       skewness within -1 to 1 ("highly skewed" beyond: Bulmer 1979, Principles of Statistics, from memory)
    outliers    none of the n standardised values of a check beyond the normal quantile of 0.05 / (2 n) (Bonferroni)
    influence   Cook's distance of a participant below 1 (Cook & Weisberg 1982, Residuals and Influence in Regression,
                from memory), and nobody without whom the interval of a main estimate would pass zero
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy import stats

from studykit.change.longitudinal import ChangeByArm, change_of_study
from studykit.change.model import ChangeModel
from studykit.change.readings import ChangeReadings
from studykit.change.terms import PER_WEEK, TERM_WORDS
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted, decimals_for_width, listed, number, with_unit
from studykit.pictures.diagnostics import diagnostics_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table

LARGEST_SPREAD_RATIO: Final = 2.0
LARGEST_SKEWNESS: Final = 1.0
OUTLIER_LEVEL: Final = 0.05
LARGEST_COOKS_DISTANCE: Final = 1.0
_PERSON: Final = TERM_WORDS[("participant_id",)]
_EFFECT_WORDS: Final = {"intercept": "levels", PER_WEEK: "slopes"}


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its name, what was seen in a sentence, whether somebody should look, and its numbers."""

    name: str
    seen: str
    look: bool
    numbers: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class ModelDiagnostics(Result):
    """Checks of the model behind the change of one measure.

    Attributes:
        checks: in the order of the picture's panels, variances of zero last.
        fitted, residuals: (n,) conditional fitted values in the unit of the measure, standardised residuals.
        effects: words -> (people,) standardised predicted effects of participants.
        cooks_distance: (people,) of leaving out each participant, variances held.
        measure, unit: for words.
    """

    checks: tuple[Check, ...]
    fitted: np.ndarray = field(repr=False, compare=False)
    residuals: np.ndarray = field(repr=False, compare=False)
    effects: dict[str, np.ndarray] = field(repr=False, compare=False)
    cooks_distance: np.ndarray = field(repr=False, compare=False)
    measure: str
    unit: str

    def to_frame(self) -> pd.DataFrame:
        """One row a check: name, sentence, whether to look."""
        return pd.DataFrame([(c.name, c.seen, c.look) for c in self.checks], columns=["check", "seen", "look"])

    def numbers(self) -> dict[str, float]:
        """The numbers of every check, none of them one person's own reading."""
        return {name: value for check in self.checks for name, value in check.numbers.items()}

    def table(self) -> Table:
        """One row a check with its sentence."""
        rows = tuple((check.name, check.seen, "look" if check.look else "as expected") for check in self.checks)
        columns = (Column("Check", "left"), Column("What was seen", "left"), Column("Remark", "left"))
        notes = (
            "Limits were decided beforehand: SDs of residuals differ by less than a factor of 2; skewness within −1 to "
            "1; no value beyond the normal quantile of 5% shared among all values; Cook's distance below 1 and nobody "
            "without whom an interval would pass zero.",
        )
        return Table(self.key.replace(".", "_"), self.title, columns, rows, notes)

    def figure(self) -> Drawing:
        """Residuals against fitted values, normal quantiles of residuals and of people's effects, influence."""
        return diagnostics_picture(
            fitted=self.fitted,
            residuals=self.residuals,
            effects=self.effects,
            influence=self.cooks_distance,
            measure=self.measure,
            unit=self.unit,
            sentences=[check.seen for check in self.checks[:4]],
        )


def diagnostics_of_study(study: Study, *, change: ChangeByArm | None = None) -> ModelDiagnostics:
    """Check the model behind the change of the primary measure.

    Args:
        study: the checked study.
        change: the answer about change, where it has been computed already.

    Raises:
        DesignError: fewer people than the protocol lets be shown one by one, or no change to model.
        FitError: no fit that may be trusted was found.
    """
    if change is None:
        found = change_of_study(study)[0]
        change = found if isinstance(found, ChangeByArm) else None
    if change is None:
        raise DesignError("There is no model of change to check.")
    readings, model = change.readings, change.model
    smallest = study.protocol.privacy.smallest_group
    if model.participants < smallest:
        raise DesignError(
            f"The model rests on {counted(model.participants, 'participant')}; people are not shown one by one below "
            f"{smallest}, so its checks are not shown."
        )
    measure = study.protocol.measures[readings.measure]
    residuals, fitted = model.fit.residuals("standardised"), model.fit.fitted(conditional=True)
    effects = _effects(model)
    distance, influence = _influence(readings, model, measure.unit)
    checks = (
        _spread(fitted, residuals),
        _shape("Shape of the residuals", "residual", "residuals", residuals),
        _effects_check(effects),
        influence,
        _zeros(model),
    )
    return ModelDiagnostics(
        key=f"diagnostics.{readings.measure}",
        title=f"Does the model fit: {measure.name}",
        headline=_headline(checks, measure.name),
        cautions=(
            "These checks can show that a model fits badly; they cannot show that it is true. About one sound model in "
            "twenty goes beyond some limit by chance.",
            "A participant with influence is no mistake. Whether a reading is one is decided at its source, not by "
            "what it does to the result.",
        ),
        methods=(
            "Conditional residuals were divided by their own standard deviation, predicted effects of participants by "
            "the standard deviation of the prediction. The influence of a participant is Cook's distance on leaving "
            "out all of that participant's readings, variances held at their estimates."
        ),
        provenance=study.provenance(),
        checks=checks,
        fitted=fitted,
        residuals=residuals,
        effects=effects,
        cooks_distance=distance,
        measure=measure.name,
        unit=measure.unit,
    )


def _spread(fitted: np.ndarray, residuals: np.ndarray) -> Check:
    known = np.isfinite(residuals)
    order = np.argsort(fitted[known], kind="stable")
    third = max(len(order) // 3, 2)
    low, high = (float(np.std(residuals[known][part], ddof=1)) for part in (order[:third], order[-third:]))
    ratio = high / low if low > 0.0 else float("nan")
    look = not 1.0 / LARGEST_SPREAD_RATIO <= ratio <= LARGEST_SPREAD_RATIO
    seen = (
        f"Residuals spread {number(ratio, 2)} times as much in the highest third of the fitted values as in the lowest."
    )
    return Check("Residuals against fitted values", seen, look, {"residual.spread_ratio": ratio})


def _shape(name: str, key: str, what: str, values: np.ndarray, *, groups: int = 1) -> Check:
    """Skewness, tails and outliers of standardised values; `groups` of them share the level of one check."""
    kept = values[np.isfinite(values)]
    n = kept.size
    skewness, kurtosis = float(stats.skew(kept)), float(stats.kurtosis(kept))
    largest, limit = float(np.max(np.abs(kept))), float(stats.norm.isf(OUTLIER_LEVEL / (2 * n * groups)))
    beyond = int(np.sum(np.abs(kept) > 3.0))
    expected = n * 2.0 * float(stats.norm.sf(3.0))
    seen = (
        f"Beyond 3 standard deviations: {beyond} of {n} {what} ({number(expected, 1)} expected of normal ones); the "
        f"largest lies at {number(largest, 1)}; skewness {number(skewness, 2)}."
    )
    numbers = {
        f"{key}.skewness": skewness,
        f"{key}.excess_kurtosis": kurtosis,
        f"{key}.beyond_three": float(beyond),
        f"{key}.largest": largest,
    }
    return Check(name, seen, largest > limit or abs(skewness) > LARGEST_SKEWNESS, numbers)


def _effects(model: ChangeModel) -> dict[str, np.ndarray]:
    """Predicted level and slope of each participant over the standard deviation of the prediction."""
    found: dict[str, np.ndarray] = {}
    for effects, covariance in zip(model.fit.random_effects(), model.fit.covariances, strict=True):
        if effects.term != _PERSON:
            continue
        for column, word in enumerate(effects.column_names):
            spread = covariance[column, column] - effects.error_covariance[:, column, column]
            if covariance[column, column] > 0.0 and np.all(spread > 0.0) and word in _EFFECT_WORDS:
                found[_EFFECT_WORDS[word]] = effects.effects[:, column] / np.sqrt(spread)
    return found


def _effects_check(effects: dict[str, np.ndarray]) -> Check:
    if not effects:
        return Check("Effects of participants", "The model has no effect of participants that varies.", False, {})
    parts = [
        _shape("", f"effects.{words}", f"participants' {words}", values, groups=len(effects))
        for words, values in effects.items()
    ]
    numbers = {name: value for part in parts for name, value in part.numbers.items()}
    look = any(part.look for part in parts)
    return Check("Effects of participants", " ".join(part.seen for part in parts), look, numbers)


def _influence(readings: ChangeReadings, model: ChangeModel, unit: str) -> tuple[np.ndarray, Check]:
    """Cook's distance of each participant, and how far the main estimates move without one of them."""
    codes = pd.factorize(readings.rows["participant_id"], sort=True)[0]
    found = model.fit.influence(codes)
    trial = not model.differences.empty
    estimates = model.differences if trial else model.changes
    weights = model.difference_weights if trial else model.change_weights
    at = (estimates["visit"] == readings.primary_visit).to_numpy()
    moved = found.change @ weights[:, at]
    main = estimates[at]
    distance = found.cooks_distance
    above, count = int(np.nansum(distance > 4.0 / distance.size)), distance.size
    most = np.nanmax(np.abs(moved), axis=0)
    in_errors = float(np.max(most / main["std_error"].to_numpy(dtype=float)))
    passing = _passing_zero(main, moved)
    largest = with_unit(float(most.max()), decimals_for_width(float(most.max())), unit)
    passed = (
        f"without {counted(passing, 'of them', 'of them')}, taken one at a time, an interval would pass zero"
        if passing
        else "no interval would pass zero without one of them"
    )
    seen = (
        f"The largest Cook's distance is {number(float(np.nanmax(distance)), 2)}; above 4 / {count}: "
        f"{above} of {counted(count, 'participant')}. Leaving out one participant moves "
        f"{'a difference from control' if trial else 'a change'} by at most {largest} ({number(in_errors, 1)} standard "
        f"errors), and {passed}."
    )
    numbers: dict[str, float] = {
        "influence.largest_cooks_distance": float(np.nanmax(distance)),
        "influence.above_four_over_n": float(above),
        "influence.largest_move_in_standard_errors": in_errors,
        "influence.passing_zero": float(passing),
    }
    numbers |= {f"influence.{arm}.largest_move": float(move) for arm, move in zip(main["arm"], most, strict=True)}
    look = bool(np.nanmax(distance) >= LARGEST_COOKS_DISTANCE) or passing > 0
    return distance, Check("Influence of one participant", seen, look, numbers)


def _passing_zero(main: pd.DataFrame, moved: np.ndarray) -> int:
    """People without whom some interval, its width held, would hold zero where it does not, or the other way round."""
    low, high = (main[name].to_numpy(dtype=float) for name in ("low", "high"))
    holds = (low <= 0.0) & (high >= 0.0)
    without = (low - moved <= 0.0) & (high - moved >= 0.0)
    return int(np.sum(np.any((without != holds) & np.isfinite(moved), axis=1)))


def _zeros(model: ChangeModel) -> Check:
    seen = " ".join(model.boundary) or "No variance was estimated as zero."
    return Check("Variances at their limit", seen, False, {"variances_at_limit": float(len(model.boundary))})


def _headline(checks: tuple[Check, ...], name: str) -> str:
    flagged: list[Any] = [check.name[0].lower() + check.name[1:] for check in checks if check.look]
    if not flagged:
        return f"Every check of the model of {name[0].lower()}{name[1:]} stays inside the limits decided beforehand."
    return (
        f"{len(flagged)} of {counted(len(checks), 'check')} of the model of {name[0].lower()}{name[1:]} "
        f"{'goes' if len(flagged) == 1 else 'go'} beyond the limit decided beforehand: "
        f"{listed(flagged, most=len(flagged))}."
    )
