"""Curves of change against the dose asked for: which shapes the data speak for, where half of the most is reached."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from studykit.change.wording import heading, mdc_sentence
from studykit.dose import wording
from studykit.dose.asked import MINUTES
from studykit.dose.model import DoseTrial, check_doses_differ
from studykit.dose.published import published_doses
from studykit.dose.shapes import CURVES, LABELS, Shapes, shapes_of
from studykit.errors import DesignError, check_choice
from studykit.formatting import counted, decimals_for_width, estimate, level, listed, number, percent
from studykit.numerics.dose import curves as shape_words
from studykit.pictures.dose_curves import CurveLine, DoseMark, dose_curves_picture
from studykit.pictures.theme import Drawing
from studykit.result import Result
from studykit.table import Column, Table

CLOSE: Final = 2.0
"""AICc above the least within which shapes are said to be hardly told apart (Burnham & Anderson 2002, from memory)."""
WIDE_HALF: Final = 1.5
"""Upper limit over lower limit of the half-maximal dose beyond which its leaning is told (our choice: in made-up trials
with limits 1.4, 1.7 and 2.4 times apart it lay 0.4, 2 and 5% too high on average)."""
_DRAWN_DOSES: Final = 121
NO_EXTRAPOLATION: Final = (
    "A curve says nothing beyond the largest dose that was tried, and between doses only what its shape says: the data "
    "stand at the doses alone."
)
FEW_DOSES: Final = (
    "A handful of doses tells shapes apart only when they differ much; the shape with the least criterion is not "
    "thereby the true one."
)
ARM_BY_DOSE: Final = (
    "Curves see one dose an arm: arms with the same dose, however split, count as the same dose. Whether the split "
    "matters stands under “Dose as randomised”."
)


@dataclass(frozen=True, kw_only=True)
class DoseCurves(Result):
    """Shapes of the curve of change against dose at the primary visit.

    Attributes:
        trial: the change model whose means the curves go through.
        shapes: every fitted shape and its criteria.
    """

    trial: DoseTrial = field(repr=False)
    shapes: Shapes = field(repr=False)

    def rise_at(self, dose: float, shape: str | None = None) -> float:
        """Difference from dose 0 at a dose, in the unit of the measure.

        Args:
            dose: from 0 to the largest dose that was tried.
            shape: a shape that was fitted; the one that the data speak for most when left out.

        Raises:
            CallError: an unknown shape.
            DesignError: a dose that nobody was asked for the like of.
        """
        top = self.shapes.arms.top
        if not 0.0 <= dose <= top:
            raise DesignError(
                f"{dose:g} {self._axis} lies outside the doses that were tried (0 to {top:g}): no curve says anything "
                "there."
            )
        chosen = shape or self.shapes.best
        check_choice(chosen, self.shapes.fitted, "shape")
        return float(self.shapes.fitted[chosen].rise(np.array([dose]))[0])

    def to_frame(self) -> pd.DataFrame:
        """One row a shape and dose above 0: difference from dose 0 with interval, and the criteria of the shape."""
        unit = self.trial.measure.unit
        named = {name: f"{name}_{unit}" for name in ("rise", "low", "high")}
        return self.shapes.rises.merge(self.shapes.compared, on="shape", how="outer", sort=False).rename(columns=named)

    def numbers(self) -> dict[str, float]:
        """`half_dose.estimate`, `.low`, `.high` (null where infinite), the same as `.share` of half / (half + largest).

        `<shape>.minus_2_log_likelihood`, `.parameters`, `.aicc`, `.bic`, `.weight`; `<shape>.rise_at_<dose>` and its
        `.low`, `.high`; `participants`, the n of both criteria; the MDC.
        """
        half, mdc = self.shapes.half, self.trial.mdc
        found = {
            "half_dose.estimate": half.dose,
            "half_dose.low": half.limits[0],
            "half_dose.high": half.limits[1],
            "half_dose.share": half.curve.share,
            "half_dose.share.low": half.low,
            "half_dose.share.high": half.high,
            "largest_dose": half.top,
            "participants": float(self.trial.model.participants),
        }
        for row in self.shapes.compared.to_dict("records"):
            for name in ("minus_2_log_likelihood", "parameters", "aicc", "bic", "weight"):
                found[f"{row['shape']}.{name}"] = float(row[name])
        for row in self.shapes.rises.to_dict("records"):
            if row["shape"] == shape_words.NONE:
                continue
            start = f"{row['shape']}.rise_at_{row['dose']:g}"
            found |= {start: float(row["rise"])} | {f"{start}.{end}": float(row[end]) for end in ("low", "high")}
        return {**found, **({"mdc": mdc.value} if mdc is not None else {})}

    def table(self) -> Table:
        """One row a shape: parameters, both criteria above their least, weight, difference at the largest dose."""
        trial, top = self.trial, self.shapes.arms.top
        at_top = self.shapes.rises[self.shapes.rises["dose"] == top].set_index("shape")
        rows = tuple(
            (
                _capital(LABELS[row.shape]),
                str(row.parameters),
                number(row.aicc_above_least, 1),
                number(row.bic_above_least, 1),
                percent(row.weight),
                _rise(at_top, row.shape),
            )
            for row in self.shapes.compared.itertuples()
        )
        sign = heading(f"Difference at {number(top, 0)} {self._axis}, {level(trial.confidence)}", trial.measure.unit)
        return Table(
            self.key.replace(".", "_"),
            f"{trial.measure.name} at {trial.visit_label}: shapes of the curve over {self._axis}",
            (
                Column("Shape", "left"),
                Column("Parameters of the curve"),
                Column("AICc above the least"),
                Column("BIC above the least"),
                Column("Weight by AICc"),
                Column(sign),
            ),
            rows,
            (
                f"Half-maximal dose of the saturating curve: {half_in_words(self.trial, self.shapes)}.",
                f"AICc and BIC count {counted(trial.model.participants, 'participant')}, not readings. Of the steps "
                "only those that are not zero are counted, which favours that shape a little; their intervals are "
                "those of each dose's own mean, cut at no change, because pooling would make them too narrow.",
                "Differences are from dose 0 within each shape.",
                *wording.mdc_notes(trial.mdc, trial.measure.unit),
                *self.shapes.refused,
                *trial.readings.notes,
            ),
        )

    def figure(self) -> Drawing:
        """The arms' means against their dose, participants behind, every curve up to the largest dose."""
        trial, top = self.trial, self.shapes.arms.top
        people, note = self._people()
        order = {arm: place for place, arm in enumerate(trial.study.protocol.arms)}
        means = trial.model.changes[trial.model.changes["visit"] == trial.readings.primary_visit].set_index("arm")
        keys = list(trial.arms)
        drawn = means.loc[keys, ["estimate", "low", "high"]].rename(columns={"estimate": "mean"})
        return dose_curves_picture(
            drawn.assign(
                arm=[trial.readings.arms[arm] for arm in keys],
                dose=trial.doses(),
                style=[order[arm] for arm in keys],
            ).reset_index(drop=True),
            people.assign(style=people["arm"].map(order), arm=people["arm"].map(trial.readings.arms)),
            self._lines(top),
            measure=trial.measure.name,
            unit=trial.measure.unit,
            axis=trial.scale.axis,
            visit=trial.visit_label,
            confidence=trial.confidence,
            mdc=trial.mdc.value if trial.mdc is not None else None,
            marks=_marks() if trial.scale.key == MINUTES else (),
            people_note=note,
        )

    def _lines(self, top: float) -> list[CurveLine]:
        """Every curve as change from the baseline, the one with the least criterion first."""
        own = self.shapes.compared[self.shapes.compared["shape"].isin(CURVES)]
        ranked = own.sort_values("aicc" if own["aicc"].notna().all() else "bic", kind="stable")["shape"]
        weights = self.trial.model.change_weights
        baseline = float(self.trial.model.fit.beta[int(np.argmin(weights[:, 0]))])
        grid = np.unique(np.append(np.linspace(0.0, top, _DRAWN_DOSES), self.shapes.arms.different))
        lines = []
        for shape in ranked:
            curve = self.shapes.fitted[shape]
            value = curve.at_zero - baseline + curve.rise(grid)
            lines.append(CurveLine(LABELS[shape], grid, value, stepped=shape == shape_words.STEPS))
        return lines

    def _people(self) -> tuple[pd.DataFrame, str]:
        """Each participant's change at the primary visit in arms large enough to be drawn, and a note on others."""
        readings = self.trial.readings
        people = readings.change_of_people()
        people = people[people["visit"] == readings.primary_visit]
        smallest = self.trial.study.protocol.privacy.smallest_group
        shown = people[people.groupby("arm")["participant_id"].transform("nunique") >= smallest]
        dose = dict(zip(self.trial.arms, self.trial.doses(), strict=True))
        note = (
            f"People are not drawn one by one in groups of fewer than {smallest}." if len(shown) < len(people) else ""
        )
        return shown.assign(dose=shown["arm"].map(dose))[["arm", "dose", "change"]], note

    @property
    def _axis(self) -> str:
        return self.trial.scale.axis.removesuffix(" asked for")


def curves_of(trial: DoseTrial) -> DoseCurves:
    """Every shape that the doses allow, compared.

    Raises:
        DesignError: the doses allow no curve.
        FitError: a shape could not be fitted.
    """
    check_doses_differ(trial)
    found = shapes_of(trial)
    return DoseCurves(
        key="dose.curve",
        title="The curve: does more dose bring less and less?",
        headline=_headline(trial, found),
        cautions=(
            NO_EXTRAPOLATION,
            FEW_DOSES,
            ARM_BY_DOSE,
            *wording.beside_cautions(trial.mdc),
            wording.ASKED_NOT_DONE,
            *_half_cautions(found),
            *found.refused,
            *wording.course_cautions(trial.readings),
            *wording.missing_cautions(trial.readings),
            *trial.measure.cautions,
        ),
        methods=_methods(trial, found),
        provenance=trial.study.provenance(),
        trial=trial,
        shapes=found,
    )


def half_in_words(trial: DoseTrial, shapes: Shapes) -> str:
    """The half-maximal dose with its interval, and in words where the interval is open or there is none."""
    half = shapes.half
    axis, confidence = trial.scale.axis.removesuffix(" asked for"), level(trial.confidence)
    low, high = half.limits
    if math.isinf(half.dose):
        begin = "none, because a straight line fits best"
    elif half.dose == 0.0:
        begin = "none, because any dose above 0 fits best as doing the same"
    else:
        begin = f"{_two_digits(half.dose)} {axis}"
    from_words = "from no dose at all (any dose may do the same)" if half.low == 0.0 else f"from {_two_digits(low)}"
    to_words = "without an upper limit (a straight line is not ruled out)"
    to_words = f"to {_two_digits(high)}" if half.high < 1.0 else to_words
    beyond = ", beyond the doses studied" if half.high < 1.0 and high > half.top else ""
    return f"{begin} ({confidence} {from_words} {to_words}{beyond}; profile likelihood)"


def _headline(trial: DoseTrial, found: Shapes) -> str:
    own = found.compared[found.compared["shape"].isin(CURVES)].set_index("shape")
    column = "aicc" if own["aicc"].notna().all() else "bic"
    name = {"aicc": "AICc", "bic": "BIC"}[column]
    least = float(own[column].min())
    near = [
        LABELS[shape] for shape in own.sort_values(column).index[1:] if float(own.at[shape, column]) - least <= CLOSE
    ]
    among = f"of {counted(len(own), 'shape')} the {LABELS[found.best]} had the least {name}"
    told = (
        f"; {listed(near, most=len(near))} within {number(CLOSE, 0)} of it can hardly be told from it"
        if near
        else f"; every other lay more than {number(CLOSE, 0)} above it"
    )
    at_top = found.rises[(found.rises["dose"] == found.arms.top) & (found.rises["shape"] == found.best)].iloc[0]
    rise = estimate(at_top["rise"], at_top["low"], at_top["high"], unit=trial.measure.unit, confidence=trial.confidence)
    return (
        f"{trial.measure.name} at {trial.visit_label}: {among}{told}. By it, {number(found.arms.top, 0)} "
        f"{trial.scale.axis} differed from none by {rise}. Half-maximal dose of the saturating curve: "
        f"{half_in_words(trial, found)}.{mdc_sentence(trial.mdc, trial.measure.unit)}"
    )


def _half_cautions(found: Shapes) -> tuple[str, ...]:
    """That the interval of the half-maximal dose is open, and that an estimate known badly leans upwards."""
    half, (low, high) = found.half, found.half.limits
    bounded = half.low > 0.0 and half.high < 1.0
    said = []
    if not bounded:
        said.append(
            "The interval of the half-maximal dose is open: these doses do not say where the curve bends, or whether."
        )
    if 0.0 < half.dose < math.inf and not (bounded and high <= WIDE_HALF * low):
        apart = high / low if bounded else math.inf
        far = f" (the upper limit is {number(apart, 0 if apart >= 10.0 else 1)} times the lower)" if bounded else ""
        said.append(
            f"The half-maximal dose is known badly{far}. It is a ratio, and one that is known badly lies above the "
            "truth on average: go by its interval."
        )
    return tuple(said)


def _methods(trial: DoseTrial, found: Shapes) -> str:
    names = [LABELS[shape] for shape in CURVES if shape in found.fitted]
    spline = " The spline is a natural cubic one with three knots." if shape_words.SPLINE in found.fitted else ""
    return (
        f"Curves over {trial.scale.axis} ({listed(names, most=len(names))}), zero at dose 0, replaced the free means "
        f"of the arms at {trial.visit_label} in the constrained-baseline mixed model, everything else left as it was, "
        "and were fitted by maximum likelihood; AICc and BIC count participants. The interval of the half-maximal dose "
        "is of the profile likelihood, every other parameter at its best. Intervals of differences are by restricted "
        "maximum likelihood with the errors of Kenward and Roger (1997, Biometrics 53, 983–997), linearised for the "
        f"saturating curve; those of the steps are of each dose's own mean, cut at no change.{spline}"
    )


def _marks() -> list[DoseMark]:
    known = published_doses()
    practice = known.common_practice
    low, high = practice.minutes_per_week
    marks = [
        DoseMark(
            f"common practice, no source:\n{number(practice.hold_s_least, 0)} s once a day, "
            f"{practice.days_per_week_least:g} to {practice.days_per_week_most:g} days a week",
            low,
            high,
        )
    ]
    marks += [
        DoseMark(f"gains level off ({one.short};\n{one.seen})", minutes, minutes)
        for one in known.published
        if (minutes := one.levels_off_minutes_per_week) is not None
    ]
    return marks


def _rise(at_top: pd.DataFrame, shape: str) -> str:
    if shape == shape_words.NONE:
        return "0"
    if shape not in at_top.index:
        return "by arm"
    row = at_top.loc[shape]
    return estimate(float(row["rise"]), float(row["low"]), float(row["high"]))


def _two_digits(dose: float) -> str:
    """A dose to two digits of its own: limits of a ratio lie on no common scale."""
    return number(dose, decimals_for_width(dose))


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]
