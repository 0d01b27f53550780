"""What would more raters, sessions or trials buy? A decision study from variance components."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.errors import CallError, check_choice, check_confidence
from studykit.formatting import counted, listed
from studykit.numerics.decision import cheapest, decide
from studykit.numerics.precision import mdc
from studykit.reliability.components import ComponentsAnswer

COUNTS = (1, 2, 3, 4, 5, 6)
ERRORS = ("agreement", "consistency")


@dataclass(frozen=True, slots=True)
class Design:
    """One way to measure, and what it gives: sem and mdc in the unit of the measure."""

    raters: int
    sessions: int
    trials: int
    measurements: int
    icc: float
    sem: float
    mdc: float


@dataclass(frozen=True, slots=True)
class DecisionAnswer:
    """Every design of a grid.

    Attributes:
        designs: frame with raters, sessions, trials, measurements, cost, icc, sem, mdc: one row a design.
        error: "agreement" (raters' differences count) or "consistency".
        confidence: level of the MDC.
        wanted_mdc: what was asked for; None when nothing was.
        best: the cheapest design that reaches it; None when nothing was asked or none reaches it.
        reason: why there is no such design; empty otherwise.
        cautions: sentences to be read with the numbers.
    """

    designs: pd.DataFrame
    error: str
    confidence: float
    wanted_mdc: float | None
    best: Design | None
    reason: str
    cautions: tuple[str, ...]


def decision_study(
    components: ComponentsAnswer,
    *,
    raters: Sequence[int] | None = None,
    trials: Sequence[int] = COUNTS,
    sessions: Sequence[int] = (1,),
    error: str = "agreement",
    confidence: float = 0.95,
    wanted_mdc: float | None = None,
    cost_session: float = 0.0,
    cost_rater: float = 0.0,
    cost_trial: float = 1.0,
) -> DecisionAnswer:
    """ICC, SEM and MDC of the mean over any number of raters, sessions and trials.

    Args:
        components: from `variance_components`.
        raters, trials, sessions: the numbers to be looked at; each at least 1. Without `raters` 1, 2 and 3 are looked
            at where the components have a rater, else 1.
        error: "agreement" counts the raters' differences, "consistency" does not.
        confidence: level of the MDC, z sqrt(2) SEM.
        wanted_mdc: the MDC that should be reached, in the unit of the measure.
        cost_session, cost_rater, cost_trial: a design costs sessions x (session + raters x (rater + trials x trial));
            as given, it costs its number of measurements.

    Raises:
        CallError: no number to look at, a number below 1, a count of sessions without a session component, or costs
        below 0.
    """
    check_confidence(confidence)
    check_choice(error, ERRORS, "error")
    if raters is None:
        raters = (1, 2, 3) if any("rater" in part.facets for part in components.components) else (1,)
    _check_grid(components, raters, trials, sessions, (cost_session, cost_rater, cost_trial))
    grid = pd.MultiIndex.from_product([raters, sessions, trials], names=["raters", "sessions", "trials"])
    frame = grid.to_frame(index=False)
    counts = {facet: frame[f"{facet}s"].to_numpy() for facet in ("rater", "session", "trial")}
    got = decide(components.variances(), counts, objects=components.objects)
    frame["measurements"] = frame["raters"] * frame["sessions"] * frame["trials"]
    frame["cost"] = frame["sessions"] * (cost_session + frame["raters"] * (cost_rater + frame["trials"] * cost_trial))
    frame["icc"] = got.icc_agreement if error == "agreement" else got.icc_consistency
    frame["sem"] = got.sem_agreement if error == "agreement" else got.sem_consistency
    frame["mdc"] = mdc(frame["sem"].to_numpy(), confidence=confidence)
    best, reason = _best(frame, wanted_mdc)
    return DecisionAnswer(frame, error, confidence, wanted_mdc, best, reason, _cautions(components, frame))


def _check_grid(
    components: ComponentsAnswer,
    raters: Sequence[int],
    trials: Sequence[int],
    sessions: Sequence[int],
    costs: tuple[float, float, float],
) -> None:
    for name, numbers in (("raters", raters), ("trials", trials), ("sessions", sessions)):
        if not numbers or min(numbers) < 1:
            raise CallError(f"{name} is {list(numbers)!r}; give one or more numbers of at least 1.")
    facets = {facet for part in components.components for facet in part.facets}
    for facet, numbers in (("session", sessions), ("rater", raters)):
        if facet not in facets and max(numbers) > 1:
            raise CallError(
                f"More than one {facet} was asked about, but the components know no {facet} "
                f"(they know {listed(sorted(facets))}). Measure in several {facet}s first, or ask about one."
            )
    if min(costs) < 0.0:
        raise CallError(f"A cost is {min(costs)}; costs are 0 or more.")


def _best(frame: pd.DataFrame, wanted: float | None) -> tuple[Design | None, str]:
    if wanted is None:
        return None, ""
    position = cheapest(frame["mdc"].to_numpy(), frame["cost"].to_numpy(), wanted)
    if position is None:
        return None, "no design of the grid reaches the wanted MDC; add raters, sessions or trials."
    row = frame.iloc[position]
    return (
        Design(
            int(row["raters"]),
            int(row["sessions"]),
            int(row["trials"]),
            int(row["measurements"]),
            float(row["icc"]),
            float(row["sem"]),
            float(row["mdc"]),
        ),
        "",
    )


def _cautions(components: ComponentsAnswer, designs: pd.DataFrame) -> tuple[str, ...]:
    said = [
        f"The designs are calculated from components of {counted(components.targets, 'target')}, not measured: "
        "their own uncertainty is not shown."
    ]
    if 1 < components.raters < 4:
        said.append(
            f"The rater component comes from {components.raters} raters: what more raters would buy is the least "
            "certain part."
        )
    facets = {facet for part in components.components for facet in part.facets}
    if "session" not in facets:
        said.append("All values came from one session: day-to-day error is not counted, and a change has it.")
    if components.trials == 1 and int(designs["trials"].max()) > 1 and np.isfinite(components.components[-1].variance):
        said.append(
            "With one value a cell, interaction and trial cannot be told apart: the gain from more trials is shown as "
            "if the rest were trial error alone, which is the best case."
        )
    return tuple(said)
