"""Every answer of a clinic's audit about its own record and its own readings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from studykit.audit.charts import RaterChart, chart_of_measure
from studykit.audit.completeness import completeness_of_study
from studykit.audit.doubles import double_readings_of_study
from studykit.audit.planned import planned_visits
from studykit.audit.timeliness import timeliness_of_study
from studykit.change import ChangeByArm, MdcBeside, change_of_study
from studykit.data.study import Study
from studykit.errors import DesignError, FitError
from studykit.result import Result, answered_apart


def audit_of_study(
    study: Study, *, mdc: MdcBeside | None = None, changes: Callable[[], Sequence[Result]] | None = None
) -> list[Result]:
    """Completeness, timeliness, double readings, and a chart of each therapist against the others by measure.

    The primary measure is always charted; another measure where at least one therapist has enough values.

    Args:
        study: the checked study.
        mdc: MDC of the primary measure, to stand beside differences of readings; None when not known.
        changes: gives the answers about change, where they have been computed already.

    Raises:
        DesignError: nothing at all can be answered. What one part cannot answer is a caution of the first answer.
    """
    planned = planned_visits(study)
    parts: tuple[Callable[[], Result], ...] = (
        lambda: completeness_of_study(study, planned),
        lambda: timeliness_of_study(study, planned),
        lambda: double_readings_of_study(study, mdc=mdc),
    )
    results = answered_apart(parts)
    charts: list[RaterChart] = []
    try:
        charts, refused = _charts(study, mdc, change_of_study(study, mdc=mdc) if changes is None else changes())
    except (DesignError, FitError) as refusal:
        refused = [f"Therapists are not held against the others: {refusal}"]
    cautions = tuple(dict.fromkeys((*results[0].cautions, *refused)))
    return [replace(results[0], cautions=cautions), *results[1:], *charts]


def _charts(study: Study, mdc: MdcBeside | None, changes: Sequence[Result]) -> tuple[list[RaterChart], list[str]]:
    charts, refused = [], []
    primary = study.protocol.study.primary_measure
    for change in changes:
        if not isinstance(change, ChangeByArm) or change.key.startswith("difference."):
            continue
        first = change.readings.measure == primary
        try:
            found = chart_of_measure(study, change, mdc=mdc if first else None)
        except DesignError as refusal:
            refused.append(str(refusal))
            continue
        if found.charts or first:
            charts.append(found)
        else:
            refused.append(found.headline)
    return charts, refused
