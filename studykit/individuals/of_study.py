"""For whom? Every answer about single people that a study can give."""

from __future__ import annotations

from collections.abc import Callable

from studykit.change import ChangeByArm, MdcBeside, change_of_study
from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.individuals.changes import changes_of_people
from studykit.individuals.error import visit_error
from studykit.individuals.regression import regression_to_the_mean
from studykit.individuals.responders import responders
from studykit.individuals.response import individual_response
from studykit.individuals.shrunken import single_people
from studykit.result import Result, answered_apart


def for_whom(
    study: Study,
    *,
    mdc: MdcBeside | None = None,
    mdc_both_limbs: MdcBeside | None = None,
    change: ChangeByArm | None = None,
) -> list[Result]:
    """Whose change of the primary measure was more than error, and how differently people responded.

    Args:
        study: the checked study, a trial or an audit.
        mdc: MDC of one limb of one person; mdc_both_limbs: of the mean of a person's two limbs. None when not known.
        change: the answer about change of the primary measure, where it has been computed already.

    Raises:
        DesignError: nothing can be answered; the sentence says why. What cannot be answered beside others is a caution
            of the first answer.
        FitError: no fit that may be trusted was found.
    """
    whole = change if change is not None else _change_of_primary(study, mdc)
    readings, model = whole.readings, whole.model
    changes = changes_of_people(study, readings, mdc, mdc_both_limbs)
    error = visit_error(readings, model)
    parts: tuple[Callable[[], Result], ...] = (
        lambda: responders(study, readings, changes, error),
        lambda: single_people(study, readings, changes, model, mdc),
        lambda: individual_response(study, readings, changes, model),
        lambda: regression_to_the_mean(study, readings, changes, error, mdc, mdc_both_limbs),
    )
    return answered_apart(parts)


def _change_of_primary(study: Study, mdc: MdcBeside | None) -> ChangeByArm:
    found = change_of_study(study, mdc=mdc)[0]
    if not isinstance(found, ChangeByArm):
        raise DesignError("The change of the primary measure is not answered, so nothing is said of single people.")
    return found
