"""Every answer about other choices of analysis."""

from __future__ import annotations

from studykit.change import ChangeByArm
from studykit.change.beside import MdcBeside
from studykit.data.study import Study
from studykit.missing_visits import FilledIn
from studykit.result import Result
from studykit.sensitivity.estimands import estimands_of_study
from studykit.sensitivity.table import other_choices_of_study


def sensitivity_of_study(
    study: Study,
    *,
    mdc: MdcBeside | None = None,
    change: ChangeByArm | None = None,
    filled: FilledIn | None = None,
) -> list[Result]:
    """The answer under other choices, and, in a trial, which question each answer is about.

    Args:
        study: the checked study, a trial or an audit.
        mdc: the MDC of the primary measure.
        change, filled: the planned answer and the one with missing visits filled in, where they are at hand.

    Raises:
        DesignError, FitError: the planned answer cannot be computed.
    """
    choices = other_choices_of_study(study, mdc=mdc, change=change, filled=filled)
    return [choices, *([estimands_of_study(choices)] if choices.planned.trial else [])]
