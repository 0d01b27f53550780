"""Every question about dose that a study may answer, each on its own: one that cannot be answered stops no other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from studykit.change.beside import MdcBeside
from studykit.change.longitudinal import ChangeByArm
from studykit.data.study import Study
from studykit.dose.curves import curves_of
from studykit.dose.done import done_of
from studykit.dose.model import DoseTrial, dose_trial
from studykit.dose.published import published_of_study
from studykit.dose.randomised import randomised_of
from studykit.errors import DesignError, FitError
from studykit.result import Result


@dataclass(frozen=True, slots=True)
class DoseQuestion:
    """One question and what answers it.

    Attributes:
        key, title: of the answer.
        answer: computes it; raises DesignError or FitError, with the reason in a sentence.
    """

    key: str
    title: str
    answer: Callable[[], Result]


def dose_questions(
    study: Study, *, mdc: MdcBeside | None = None, change: ChangeByArm | None = None
) -> tuple[DoseQuestion, ...]:
    """The questions in the order of a report.

    The first two share one fit of the change model, made when the first of them is answered.

    Args:
        study: the checked study, a trial or an audit.
        mdc: the MDC of the primary measure, found by a reliability analysis; None when there is none.
        change: the answer about change of the primary measure where it was given already.
    """
    shared = _Shared(study, mdc, change)
    readings = change.readings if change is not None else None
    return (
        DoseQuestion("dose.randomised", "Dose as randomised", lambda: randomised_of(shared.trial())),
        DoseQuestion("dose.curve", "The curve over the dose", lambda: curves_of(shared.trial())),
        DoseQuestion("dose.done", "Dose as done", partial(done_of, study, mdc=mdc, readings=readings)),
        DoseQuestion("dose.published", "Common practice and published doses", partial(published_of_study, study)),
    )


def dose_of_study(study: Study, *, mdc: MdcBeside | None = None) -> list[Result]:
    """Every answer about dose that the study allows.

    Args:
        study: the checked study, a trial or an audit.
        mdc: the MDC of the primary measure, found by a reliability analysis; None when there is none.

    Raises:
        DesignError: no question can be answered; the sentences say why for each.
    """
    answered: list[Result] = []
    refused: dict[str, str] = {}
    for question in dose_questions(study, mdc=mdc):
        try:
            answered.append(question.answer())
        except (DesignError, FitError) as refusal:
            refused.setdefault(str(refusal), question.title)
    if not answered:
        raise DesignError(" ".join(f"{title}: {reason}" for reason, title in refused.items()))
    return answered


class _Shared:
    """The trial of the first two questions: one fit, or one refusal that both repeat."""

    __slots__ = ("_change", "_found", "_mdc", "_study")

    def __init__(self, study: Study, mdc: MdcBeside | None, change: ChangeByArm | None) -> None:
        self._study, self._mdc, self._change = study, mdc, change
        self._found: DoseTrial | DesignError | FitError | None = None

    def trial(self) -> DoseTrial:
        if self._found is None:
            try:
                self._found = dose_trial(self._study, mdc=self._mdc, change=self._change)
            except (DesignError, FitError) as refusal:
                self._found = refusal
        if isinstance(self._found, DoseTrial):
            return self._found
        raise self._found
