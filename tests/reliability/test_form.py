"""Which form fits what was done, and which questions a design cannot answer."""

from __future__ import annotations

import pytest

from studykit.errors import CallError, DesignError
from studykit.reliability.form import choose_form, named_form


@pytest.mark.parametrize(
    ("rated_by", "generalise_to", "averaged", "form", "name", "older"),
    [
        ("different raters", "other raters", False, "one-way", "ICC(1)", "ICC(1,1)"),
        ("different raters", "other raters", True, "one-way", "ICC(k)", "ICC(1,k)"),
        ("every rater", "other raters", False, "agreement", "ICC(A,1)", "ICC(2,1)"),
        ("every rater", "other raters", True, "agreement", "ICC(A,k)", "ICC(2,k)"),
        ("every rater", "these raters", False, "consistency", "ICC(C,1)", "ICC(3,1)"),
        ("every rater", "these raters", True, "consistency", "ICC(C,k)", "ICC(3,k)"),
    ],
)
def test_design_names_the_form_and_why(
    rated_by: str, generalise_to: str, averaged: bool, form: str, name: str, older: str
) -> None:
    got = choose_form(rated_by=rated_by, generalise_to=generalise_to, averaged=averaged)
    assert (got.form, got.name, got.older_name) == (form, name, older)
    assert got.why.endswith(".")
    assert got.why.count(".") == 1


def test_nested_raters_cannot_be_fixed() -> None:
    with pytest.raises(DesignError, match="cannot be compared on the same targets"):
        choose_form(rated_by="different raters", generalise_to="these raters")


def test_one_rating_a_target_supports_no_form() -> None:
    with pytest.raises(DesignError, match="rated once"):
        choose_form(rated_by="every rater", generalise_to="other raters", raters_per_target=1)


def test_all_ten_forms_have_their_names() -> None:
    names = {
        (named_form(form, averaged, raters=raters).model, named_form(form, averaged, raters=raters).name)
        for form in ("one-way", "agreement", "consistency")
        for averaged in (False, True)
        for raters in ("random", "fixed")
    }
    assert len(names) == 10  # McGraw & Wong (1996), table 4: two one-way, four two-way random, four two-way mixed


def test_unknown_words_are_refused() -> None:
    with pytest.raises(CallError, match="rated_by"):
        choose_form(rated_by="everyone", generalise_to="other raters")
    with pytest.raises(CallError, match="form"):
        named_form("two-way", averaged=False)
