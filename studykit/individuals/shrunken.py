"""Each participant's change, raw and drawn towards what is likely once measurement error is allowed for."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.change import MdcBeside
from studykit.change.model import ChangeModel
from studykit.change.readings import ChangeReadings
from studykit.change.terms import FURTHER_IN, PER_WEEK
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import decimals_for_width, with_unit
from studykit.individuals import wording
from studykit.individuals.changes import PersonChanges
from studykit.numerics.individual_response import pooled_variance, shrunken_towards
from studykit.numerics.intervals import two_sided_z
from studykit.numerics.mixed.personal import personal_predictions
from studykit.pictures.individuals import people_picture
from studykit.pictures.theme import Drawing
from studykit.protocol.analysis_model import ImportantChange
from studykit.result import Result
from studykit.table import Column, Table

MDC_LEVEL = 0.95
"""Level of every MDC that stands beside a change (`reliability.mdc_for_change`)."""


@dataclass(frozen=True, kw_only=True)
class SinglePeople(Result):
    """The change of each participant at the primary visit, raw and shrunken; people of small groups are not in it.

    Attributes:
        people: one row a participant: `participant_id`, `arm`, `limbs`, `baseline`, `change`, `mdc`, `beside`,
            `shrunken` and `shrunken_se` (root of the variance of its error), in `unit`.
        by_model: whether the mixed model shrinks; else the MDC's error variance does.
        arms: key -> label; styles: key -> position in the protocol.
        mdc: usual MDC of one person, nan without one; important: the change that matters by the protocol, or None.
        direction: +1 where higher is better, -1 where lower is.
        measure, unit, visit, group_word, notes: for words.
    """

    people: pd.DataFrame = field(repr=False)
    by_model: bool
    arms: dict[str, str]
    styles: dict[str, int]
    mdc: float
    important: ImportantChange | None
    direction: float
    measure: str
    unit: str
    visit: str
    group_word: str
    notes: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a participant; for those who hold the data: it is written to no file and to no seal."""
        amounts = ("baseline", "change", "mdc", "shrunken", "shrunken_se")
        return self.people.rename(columns={name: f"{name}_{self.unit}" for name in amounts})

    def numbers(self) -> dict[str, float]:
        """Of each arm: people, mean and SD of the raw changes, SD of the shrunken ones, usual error. Nobody's own."""
        named: dict[str, float] = {}
        for row in self._by_arm().to_dict("records"):
            arm = row.pop("arm")
            named |= {f"{arm}.{name}": float(value) for name, value in row.items()}
        return named

    def table(self) -> Table:
        """One row an arm: people, mean, SD of raw and of shrunken changes, usual error of a shrunken one."""
        rows = []
        for row in self._by_arm().to_dict("records"):
            decimals = decimals_for_width(row["sd_raw"])
            amounts = (row[name] for name in ("mean_raw", "sd_raw", "sd_shrunken", "usual_error"))
            texts = (with_unit(amount, decimals, self.unit) for amount in amounts)
            rows.append((self.arms[row["arm"]], str(int(row["people"])), *texts))
        heads = ("Measured", "Mean change", "SD of raw changes", "SD of shrunken ones", "Usual error of a shrunken one")
        columns = (Column(self.group_word, "left"), *(Column(head) for head in heads))
        return Table(self.key.replace(".", "_"), f"{self.title}, at {self.visit}", columns, tuple(rows), self.notes)

    def figure(self) -> Drawing:
        """One mark a participant, raw and shrunken, in the order of the raw changes, by arm, with the MDC as a band."""
        return people_picture(
            self.people.assign(
                arm=self.people["arm"].map(self.arms), beyond=~self.people["beside"].isin(["", "within"])
            ),
            measure=self.measure,
            unit=self.unit,
            visit=self.visit,
            mdc=None if np.isnan(self.mdc) else self.mdc,
            important=None if self.important is None else self.direction * self.important.value,
            styles={label: self.styles[arm] for arm, label in self.arms.items()},
            note=" ".join(note for note in self.notes if "not shown" in note),
        )

    def _by_arm(self) -> pd.DataFrame:
        rows = []
        for arm in self.arms:
            own = self.people[self.people["arm"] == arm]
            rows.append(
                {
                    "arm": arm,
                    "people": len(own),
                    "mean_raw": float(own["change"].mean()),
                    "sd_raw": float(own["change"].std(ddof=1)),
                    "sd_shrunken": float(own["shrunken"].std(ddof=1)),
                    "usual_error": float(np.sqrt((own["shrunken_se"] ** 2).mean())),
                }
            )
        return pd.DataFrame(rows)


def single_people(
    study: Study, readings: ChangeReadings, changes: PersonChanges, model: ChangeModel, mdc: MdcBeside | None
) -> SinglePeople:
    """Raw and shrunken change of everybody in groups large enough to be shown.

    With slopes in the model of change, a person's shrunken change is the mean change that the model gives somebody of
    that arm (and of those covariates) plus the person's own predicted slopes times the weeks. With two visits the model
    cannot tell a person's change from error, and the error variance of the MDC draws changes towards the arm's mean.

    Raises:
        DesignError: two visits only, and no MDC.
    """
    measure = study.protocol.measures[readings.measure]
    if model.slopes:
        people = _by_model(readings, changes, model)
    elif mdc is not None:
        people = _by_error(changes)
    else:
        raise DesignError(
            f"With two visits and no minimal detectable change of {measure.name}, a person's change cannot be told "
            "from error, so no estimates are drawn towards the mean."
        )
    kept = people[people["arm"].isin(list(changes.arms))].reset_index(drop=True)
    position = {arm: place for place, arm in enumerate(readings.arms)}
    order = {arm: place for place, arm in enumerate(study.protocol.arms)} or position
    visit = study.protocol.visit(readings.primary_visit).label
    return SinglePeople(
        key=f"single_people.{readings.measure}",
        title=f"Single people: {measure.name}",
        headline=wording.people_headline(study, measure, kept, visit, wording.beside_mdc(changes, measure.unit)),
        cautions=wording.people_cautions(changes),
        methods=wording.people_methods(by_model=bool(model.slopes)),
        provenance=study.provenance(),
        people=kept,
        by_model=bool(model.slopes),
        arms=changes.arms,
        styles={arm: order[arm] for arm in changes.arms},
        mdc=changes.usual_mdc,
        important=wording.important_change(study, readings.measure),
        direction=changes.direction,
        measure=measure.name,
        unit=measure.unit,
        visit=visit,
        group_word="Arm" if study.protocol.study.design == "trial" else "Group",
        notes=wording.people_notes(study, readings, changes),
    )


def _by_model(readings: ChangeReadings, changes: PersonChanges, model: ChangeModel) -> pd.DataFrame:
    """Mean change of such a person and own predicted slopes times weeks, with the root of its error variance."""
    rows = readings.rows
    week_of = {visit.key: visit.week - readings.visits[0].week for visit in readings.visits}
    weeks, last = rows["visit"].map(week_of).to_numpy(dtype=float), float(week_of[readings.primary_visit])
    covariance = _slope_covariance(model)
    further = rows["arm"].map(lambda arm: model.variances.get(FURTHER_IN + arm, 0.0)).to_numpy(dtype=float)
    with_rows = last * (covariance[0] + weeks * (covariance[1] + further))
    codes, ids = pd.factorize(rows["participant_id"], sort=True)
    first = pd.Series(np.arange(len(rows))).groupby(codes).first().to_numpy()
    variances = last**2 * (covariance[1] + further[first])
    at, begin = (
        _mean_rows(model, rows, codes, len(ids), visit) for visit in (readings.primary_visit, readings.baseline)
    )
    both = np.isfinite(at[:, 0]) & np.isfinite(begin[:, 0])
    weights = np.where(both[:, None], at - begin, 0.0).T
    found = personal_predictions(model.fit, codes, with_rows, variances, weights)
    own = pd.DataFrame(
        {
            "participant_id": ids,
            "shrunken": np.where(both, found.predicted, np.nan),
            "shrunken_se": np.where(both, np.sqrt(found.error_variance), np.nan),
        }
    )
    return changes.people.merge(own, on="participant_id", how="left", validate="one_to_one")


def _slope_covariance(model: ChangeModel) -> tuple[float, float]:
    """Covariance of a person's intercept and slope, and variance of the slope, per week."""
    return float(model.intercept_slope_covariance or 0.0), float(model.variances[PER_WEEK])


def _mean_rows(model: ChangeModel, rows: pd.DataFrame, codes: np.ndarray, people: int, visit: str) -> np.ndarray:
    """(people, p) mean fixed-effect row of each person at a visit; nan without a reading there."""
    here = (rows["visit"] == visit).to_numpy()
    count = np.bincount(codes[here], minlength=people).astype(float)
    sums = np.zeros((people, model.fit.p))
    np.add.at(sums, codes[here], model.fit.design.x[here])
    return np.asarray(sums / np.where(count > 0.0, count, np.nan)[:, None])


def _by_error(changes: PersonChanges) -> pd.DataFrame:
    """Each change drawn to the mean of its arm; the error variance of a change is (MDC / z)^2, spread is pooled."""
    people = changes.people
    groups = people.groupby("arm")["change"]
    several = groups.size()[groups.size() > 1].index
    variance, _ = pooled_variance(groups.var(ddof=1)[several].to_numpy(), (groups.size()[several] - 1.0).to_numpy())
    shrunken, error = np.empty(len(people)), np.empty(len(people))
    mean = groups.transform("mean").to_numpy(dtype=float)
    for place, row in enumerate(people.itertuples()):
        error_variance = (row.mdc / two_sided_z(MDC_LEVEL)) ** 2
        drawn, weight = shrunken_towards(np.array([row.change]), mean[place], error_variance, variance)
        shrunken[place], error[place] = drawn[0], weight * error_variance
    return people.assign(shrunken=shrunken, shrunken_se=np.sqrt(error))
