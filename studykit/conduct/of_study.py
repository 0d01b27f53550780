"""Did the measuring change during the study? Every answer that a study can give."""

from __future__ import annotations

from collections.abc import Callable

from studykit.change import ChangeByArm, MdcBeside, change_of_study
from studykit.conduct.digits import digit_preference
from studykit.conduct.drift import rater_drift
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.result import Result, answered_apart


def conduct_of_study(
    study: Study, *, mdc: MdcBeside | None = None, change: Callable[[], ChangeByArm | None] | None = None
) -> list[Result]:
    """Rater drift over the calendar and digit preference, of the primary measure.

    Args:
        study: the checked study, of any design.
        mdc: the MDC of one person, to stand beside a drift; None when not known.
        change: gives the answer about change, whose model the drift is added to; it is computed when left out.

    Raises:
        DesignError: neither can be answered. What cannot be answered beside the other is a caution of it.
    """
    parts: tuple[Callable[[], Result], ...] = (
        lambda: rater_drift(study, _change(study, change), mdc),
        lambda: digit_preference(study),
    )
    return answered_apart(parts)


def _change(study: Study, given: Callable[[], ChangeByArm | None] | None) -> ChangeByArm:
    found = given() if given is not None else change_of_study(study)[0]
    if not isinstance(found, ChangeByArm):
        raise DesignError("There is no model of change that a drift of raters could be told from.")
    return found
