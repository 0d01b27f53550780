"""Absolute agreement in a plan: beside the formulas that leave raters out; more raters where targets cannot help."""

from __future__ import annotations

import math

import pytest

from studykit.errors import ProtocolError
from studykit.numerics.planning.agreement_sizes import agreement_expected_width, agreement_width_size
from studykit.planning.study import PlanPart, plan_study
from studykit.protocol import parse_protocol
from tests.planning.planned_studies import RELIABILITY_HEAD

HEAD = RELIABILITY_HEAD + "[planning.reliability]\nreadings = 3\nicc = 0.9\n"


def planned(more: str) -> PlanPart:
    (part,) = plan_study(parse_protocol(HEAD + more))
    return part


def test_agreement_stands_beside_the_formulas_that_leave_raters_out():
    sizes, agreement = planned("icc_width = 0.15\nrater_share = 0.3\ntargets = 30\nlost = 0.1\n").results
    needed = agreement_width_size(0.9, 0.15, 0.3, 3)
    assert needed is not None
    frame = sizes.to_frame().set_index("wish")
    assert list(frame.index) == ["icc_width", "agreement_width"]
    assert frame.loc["agreement_width", "targets_exact"] == needed > 3 * frame.loc["icc_width", "targets_exact"]
    assert frame.loc["agreement_width", "targets_to_measure"] == math.ceil(needed / 0.9)
    numbers = agreement.numbers()
    # Of 30 targets 27 stay.
    assert numbers["width_as_planned"] == numbers["targets_27.raters_3.width"]
    assert numbers["width_as_planned"] == agreement_expected_width(27, 0.9, 0.3, 3)
    raters = int(numbers["raters_needed"])
    assert f"which takes {needed} targets (or 27 targets and {raters} raters)" in agreement.headline
    assert agreement_expected_width(27, 0.9, 0.3, raters) <= 0.15 < agreement_expected_width(27, 0.9, 0.3, raters - 1)
    assert numbers["one_way.exact"] == frame.loc["icc_width", "targets_exact"]


def test_more_raters_are_named_where_no_number_of_targets_is_enough():
    sizes, agreement = planned("icc_width = 0.1\nrater_share = 0.3\ntargets = 60\nerror_width = 0.4\n").results
    assert "With 3 raters not even 2\N{NO-BREAK SPACE}000 targets give that" in agreement.headline
    assert "plan more raters; with" in agreement.headline
    assert "every other wish granted" in sizes.headline
    assert "make the interval of absolute agreement that narrow" in sizes.headline
    table = {row[0]: row[1:] for row in sizes.table().rows}
    assert ("", "none is enough", "") in table.values()
    assert math.isnan(sizes.numbers()["agreement_width.exact"])


def test_a_wish_that_nothing_grants_is_said_alone():
    sizes, agreement = planned("icc_width = 0.002\nrater_share = 0.9\ntargets = 10\n").results
    assert "wish for a wider interval" in agreement.headline
    assert sizes.headline.endswith(".")


def test_without_a_share_of_raters_agreement_is_not_looked_at():
    (sizes,) = planned("icc_width = 0.15\n").results
    assert any("give rater_share" in caution for caution in sizes.cautions)


def test_a_share_of_raters_needs_the_interval_that_it_is_about():
    with pytest.raises(ProtocolError, match="rater_share needs icc and icc_width"):
        planned("rater_share = 0.3\n")
