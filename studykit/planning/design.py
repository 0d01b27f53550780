"""The readings that a planned trial will give: rows without values, and the very model that the analysis will fit.

Random terms are found by the functions of the analysis itself, from the planned rows, so that the model of a simulated
trial is the model of the study.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.change.readings import ONE_SIDE, ChangeReadings
from studykit.change.terms import FURTHER_IN, PER_WEEK, engine_terms, random_slopes, random_terms
from studykit.errors import DesignError
from studykit.numerics.mixed.cross_products import DesignProducts
from studykit.numerics.mixed.fit import prepare_design
from studykit.planning.plan import FEWEST_IN_AN_ARM, TrialPlan


@dataclass(frozen=True, slots=True)
class PlannedDesign:
    """Rows of one planned trial and their model.

    Attributes:
        readings: as the analysis takes them; `value` is not filled.
        x: (n, p) columns of the cells, as in the analysis.
        products: the cross-products of the design.
        contrasts: (treated arms, p) difference of each from the control arm at the primary visit.
        covariances: of each random term at the planned spreads; residual_variance: of a row.
        arm, visit, person, limb, day, limb_day, rater, person_rater: (n,) whole numbers from 0 for each row.
    """

    readings: ChangeReadings
    x: np.ndarray
    products: DesignProducts
    contrasts: np.ndarray
    covariances: tuple[np.ndarray, ...]
    residual_variance: float
    arm: np.ndarray
    visit: np.ndarray
    person: np.ndarray
    limb: np.ndarray
    day: np.ndarray
    limb_day: np.ndarray
    rater: np.ndarray
    person_rater: np.ndarray


def expected_last_visits(plan: TrialPlan) -> np.ndarray:
    """(participants,) place of each one's last visit when the numbers who leave are as expected, arm by arm.

    Within an arm the numbers are rounded so that they sum to its size, those who stay taking what is left.
    """
    shares, made = plan.shares_leaving, []
    for size in plan.sizes:
        leaving = np.floor(np.cumsum(shares)[:-1] * size + 0.5).astype(int)
        counts = np.diff(np.concatenate([[0], leaving, [size]]))
        made.append(np.repeat(np.arange(shares.size), counts))
    return np.concatenate(made)


def drawn_last_visits(plan: TrialPlan, rng: np.random.Generator) -> np.ndarray:
    """(participants,) place of each one's last visit, drawn; in order within an arm, where people are alike."""
    drawn = [np.repeat(np.arange(len(plan.visits)), rng.multinomial(size, plan.shares_leaving)) for size in plan.sizes]
    return np.concatenate(drawn)


def planned_design(plan: TrialPlan, last_visits: np.ndarray) -> PlannedDesign:
    """Lay out the rows of a trial and form its model.

    Args:
        plan: the plan.
        last_visits: (participants,) place of each one's last visit, arm by arm.

    Raises:
        DesignError: fewer than two of an arm come to the primary visit, or the rows cannot carry the model.
    """
    rows = _rows(plan, last_visits)
    _check_enough(plan, rows)
    frame = pd.DataFrame(
        {
            "participant_id": rows["person"],
            "arm": np.array(list(plan.arms))[rows["arm"]],
            "visit": np.array([visit.key for visit in plan.visits])[rows["visit"]],
            "side": np.array(["left", "right"] if plan.limbs == 2 else [ONE_SIDE])[rows["side"]],
            "rater_id": rows["rater"],
        }
    )
    readings = ChangeReadings(
        rows=frame.assign(value=0.0),
        measure=plan.measure,
        visits=plan.visits,
        primary_visit=plan.primary_visit,
        arms=plan.arms,
        control=plan.control,
        outcome_words="",
        notes=(),
    )
    intercepts, slopes = random_terms(readings.rows), random_slopes(readings)
    terms = engine_terms(readings, intercepts, slopes)
    x, contrasts = _cells(plan, rows)
    covariances, residual = _covariances(plan, intercepts, slopes)
    limb = rows["person"] * plan.limbs + rows["side"]
    return PlannedDesign(
        readings=readings,
        x=x,
        products=prepare_design(x, terms),
        contrasts=contrasts,
        covariances=covariances,
        residual_variance=residual,
        arm=rows["arm"],
        visit=rows["visit"],
        person=rows["person"],
        limb=limb,
        day=rows["person"] * len(plan.visits) + rows["visit"],
        limb_day=limb * len(plan.visits) + rows["visit"],
        rater=rows["rater"],
        person_rater=rows["person"] * plan.raters_in_all + rows["rater"],
    )


def _rows(plan: TrialPlan, last_visits: np.ndarray) -> dict[str, np.ndarray]:
    """One row an outcome of the analysis. Raters take turns: from visit to visit and from person to person."""
    repeats = plan.trials if plan.trials_used == "all" else 1
    shape = (plan.participants, len(plan.visits), plan.limbs, plan.raters, repeats)
    person, visit, side, turn, _ = (axis.ravel() for axis in np.indices(shape))
    seen = visit <= last_visits[person]
    if plan.complete_only:
        seen &= last_visits[person] == len(plan.visits) - 1
    person, visit, side, turn = (axis[seen] for axis in (person, visit, side, turn))
    sizes = np.array(plan.sizes)
    within = np.concatenate([np.arange(size) for size in sizes])
    arm = np.repeat(np.arange(sizes.size), sizes)
    rater = (within[person] + visit + turn) % plan.raters_in_all
    return {"person": person, "visit": visit, "side": side, "rater": rater, "arm": arm[person]}


def _check_enough(plan: TrialPlan, rows: dict[str, np.ndarray]) -> None:
    """Refuse what the analysis refuses: an arm of which fewer than two people come to the primary visit."""
    at = rows["visit"] == plan.primary
    for place, label in enumerate(plan.arms.values()):
        count = len(np.unique(rows["person"][at & (rows["arm"] == place)]))
        if count < FEWEST_IN_AN_ARM:
            raise DesignError(
                f"{count} in {label} would come to {plan.visits[plan.primary].label}; at least {FEWEST_IN_AN_ARM} are "
                "needed to see how much people differ. Plan more participants."
            )


def _cells(plan: TrialPlan, rows: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Columns of the cells, the baseline shared; and each treated arm less the control arm at the primary visit."""
    cell = np.where(rows["visit"] == 0, 0, 1 + rows["arm"] * len(plan.visits) + rows["visit"])
    kept = list(np.unique(cell))
    x = np.column_stack([(cell == one).astype(float) for one in kept])
    keys = list(plan.arms)

    def place(arm: str) -> int:
        return kept.index(1 + keys.index(arm) * len(plan.visits) + plan.primary)

    contrasts = np.zeros((len(plan.treated), len(kept)))
    for row, arm in enumerate(plan.treated):
        contrasts[row, place(arm)], contrasts[row, place(plan.control)] = 1.0, -1.0
    return x, contrasts


def _covariances(
    plan: TrialPlan, intercepts: tuple[tuple[str, ...], ...], slopes: tuple[str, ...]
) -> tuple[tuple[np.ndarray, ...], float]:
    """Covariances of the model's terms at the planned spreads, and the variance of a row that no term takes.

    A spread without a term of its own goes where it cannot be told apart from another: of a limb to the participant
    when one limb is measured, of a day to the row when there is one row a day, of a rater's way with a person to
    the person when the same raters always come, else to the row. With two visits the model has no slopes: what they
    add to the spread of a change is then taken as a spread from visit to visit, the same in all arms, as in the model.
    """
    s, same = plan.spreads, plan.raters_in_all == plan.raters
    variance = {
        "participant": s.participant**2,
        "limb": s.limb**2,
        "participant_visit": s.participant_visit**2,
        "limb_visit": s.limb_visit**2,
        "by_rater": s.participant_rater**2 / (plan.raters if same else 1),
        "rater": s.rater**2,
        "residual": plan.variance_of_trials,
        "nowhere": 0.0,
    }
    if PER_WEEK not in slopes:
        week = plan.weeks[plan.primary]
        variance["participant"] += s.slope_correlation * s.participant * s.slope * week
        treated = 1.0 - plan.sizes[list(plan.arms).index(plan.control)] / plan.participants
        variance["participant_visit"] += 0.5 * (s.slope**2 + treated * s.further_slope**2) * week**2
    own = {
        ("participant_id",): "participant",
        ("participant_id", "side"): "limb",
        ("participant_id", "visit"): "participant_visit",
        ("participant_id", "side", "visit"): "limb_visit",
        ("participant_id", "side", "visit", "rater_id"): "by_rater",
        ("rater_id",): "rater",
    }
    one_limb = plan.limbs == 1 and ("participant_id", "visit") in intercepts
    goes_to = {
        "limb": "participant",
        "participant_visit": "limb_visit",
        "limb_visit": "participant_visit" if one_limb else "residual",
        "by_rater": "participant" if same else "residual",
        "rater": "nowhere" if plan.raters_in_all == 1 else "residual",
    }
    for term, name in own.items():
        if term not in intercepts:
            variance[goes_to[name]] += variance[name]
    made = [np.array([[variance[own[term]]]]) for term in intercepts]
    if PER_WEEK in slopes:
        joint = s.slope_correlation * s.participant * s.slope
        at = intercepts.index(("participant_id",))
        made[at] = np.array([[variance["participant"], joint], [joint, s.slope**2]])
    made += [np.array([[s.further_slope**2]]) for slope in slopes if slope.startswith(FURTHER_IN)]
    return tuple(made), variance["residual"]
