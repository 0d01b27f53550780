"""Which intraclass correlation fits what was done? One form, its names in the literature, and one sentence why.

Sources: McGraw & Wong (1996), Psychol. Methods 1, 30-46; Shrout & Fleiss (1979), Psychol. Bull. 86, 420-428;
Koo & Li (2016), J. Chiropr. Med. 15, 155-163.
"""

from __future__ import annotations

from dataclasses import dataclass

from studykit.errors import DesignError, check_choice

RATED_BY = ("every rater", "different raters")
GENERALISE_TO = ("other raters", "these raters")


@dataclass(frozen=True, slots=True)
class Form:
    """A form of the intraclass correlation.

    Attributes:
        form: "one-way", "agreement" or "consistency": the word that `icc` takes.
        averaged: reliability of the mean over raters instead of one rater.
        model: the model in the words of McGraw & Wong.
        name: their name, such as "ICC(A,1)".
        older_name: the name of Shrout & Fleiss, such as "ICC(2,1)"; empty where they have none.
        why: one sentence.
    """

    form: str
    averaged: bool
    model: str
    name: str
    older_name: str
    why: str


def choose_form(
    *, rated_by: str, generalise_to: str, averaged: bool = False, raters_per_target: int | None = None
) -> Form:
    """The form that fits the design.

    Args:
        rated_by: "every rater" when all raters measured every target, "different raters" when each target had its own.
        generalise_to: "other raters" when these stand for others, "these raters" when only they will measure.
        averaged: whether the mean over all raters is used in practice.
        raters_per_target: how many ratings each target has, when known.

    Raises:
        DesignError: one rating a target, or fixed raters who did not measure the same targets.
    """
    check_choice(rated_by, RATED_BY, "rated_by")
    check_choice(generalise_to, GENERALISE_TO, "generalise_to")
    if raters_per_target is not None and raters_per_target < 2:
        raise DesignError("Each target was rated once: no form of reliability can be estimated. Repeat the ratings.")
    unit = "k" if averaged else "1"
    use = "the mean over all raters is used" if averaged else "one rater's value is used"
    if rated_by == "different raters":
        if generalise_to == "these raters":
            raise DesignError(
                "Each target had raters of its own, so these raters cannot be compared on the same targets. "
                'Generalise to "other raters", or let every rater measure every target.'
            )
        return Form(
            "one-way",
            averaged,
            "one-way random",
            f"ICC({unit})",
            f"ICC(1,{unit})",
            f"Each target had raters of its own, so the raters' differences cannot be told from error, and {use}.",
        )
    if generalise_to == "other raters":
        return Form(
            "agreement",
            averaged,
            "two-way random, absolute agreement",
            f"ICC(A,{unit})",
            f"ICC(2,{unit})",
            "Every rater measured every target, the raters stand for others, so that their systematic differences "
            f"count as error, and {use}.",
        )
    return Form(
        "consistency",
        averaged,
        "two-way mixed, consistency",
        f"ICC(C,{unit})",
        f"ICC(3,{unit})",
        "Every rater measured every target and only these raters will measure, so that their constant differences "
        f"are known and do not count as error, and {use}.",
    )


def form_across_sessions(*, several_raters: bool, generalise_to: str) -> Form:
    """What a correlation means where days lie within people; these have no name in the literature's ten forms.

    Args:
        several_raters: whether raters shared targets.
        generalise_to: one of `GENERALISE_TO`.
    """
    check_choice(generalise_to, GENERALISE_TO, "generalise_to")
    random = generalise_to == "other raters"
    if not several_raters:
        return Form(
            "one-way",
            False,
            "days within participants",
            "ICC",
            "",
            "Each person was measured on days of their own, so that whatever differs between days counts as error, and "
            "one session is used.",
        )
    counts = "raters' differences and days count" if random else "days count, raters' constant differences do not"
    return Form(
        "agreement" if random else "consistency",
        False,
        f"{'random' if random else 'fixed'} raters, days within participants",
        "ICC",
        "",
        f"Raters shared people, and each person was measured on days of their own: {counts} as error, and one rater's "
        "value of one session is used.",
    )


def named_form(form: str, averaged: bool, *, raters: str = "random") -> Form:
    """The names of a form that the caller picked himself.

    Args:
        form: "one-way", "agreement" or "consistency".
        averaged: the mean over raters.
        raters: "random" or "fixed": the same formula under another model for agreement and consistency.
    """
    check_choice(form, ("one-way", "agreement", "consistency"), "form")
    check_choice(raters, ("random", "fixed"), "raters")
    unit = "k" if averaged else "1"
    why = "The form was chosen by the caller."
    if form == "one-way":
        return Form(form, averaged, "one-way random", f"ICC({unit})", f"ICC(1,{unit})", why)
    model = "two-way random" if raters == "random" else "two-way mixed"
    if form == "agreement":
        older = f"ICC(2,{unit})" if raters == "random" else ""
        return Form(form, averaged, f"{model}, absolute agreement", f"ICC(A,{unit})", older, why)
    older = f"ICC(3,{unit})" if raters == "fixed" else ""
    return Form(form, averaged, f"{model}, consistency", f"ICC(C,{unit})", older, why)
