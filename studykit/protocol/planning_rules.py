"""Rules between the [planning] table and the rest of the protocol."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from studykit.protocol.analysis_rules import KNOWN_COVARIATES
from studykit.protocol.outline import Outline
from studykit.protocol.planning_model import PlanningPart
from studykit.protocol.problems import Problem, meant, quoted


def problems_of_planning(outline: Outline) -> Iterator[Problem]:
    """Arms and visits that the protocol does not have, shares that fall, sets of visits without their ends."""
    plan = outline.planning
    if plan is None:
        return
    if plan.smallest_difference is not None and outline.design not in {None, "trial"}:
        yield Problem(
            ("planning", "smallest_difference"),
            f"a difference between arms belongs to a trial, and this study is of design {quoted(outline.design or '')};"
            " leave it out, with participants and spread.",
        )
        return
    yield from _arms(outline, plan)
    yield from _allocation(outline, plan)
    if outline.every_visit_named:
        yield from _changes(outline, plan)
        yield from _losses(outline, plan)
        yield from _sets_of_visits(outline, plan)


def _arms(outline: Outline, plan: PlanningPart) -> Iterator[Problem]:
    named: list[tuple[tuple[str | int, ...], str]] = [(("planning", "ratio", arm), arm) for arm in plan.ratio]
    named += [(("planning", "change", arm), arm) for arm in plan.change]
    if plan.arm_with is not None:
        named.append((("planning", "arm_with"), plan.arm_with))
    for place, arm in named:
        if arm not in outline.arms:
            yield Problem(place, f"{quoted(arm)} in [planning] is not an arm of this study{_known(arm, outline.arms)}")
    found = outline.arms.get(plan.arm_with or "")
    if found is not None and found.control:
        yield Problem(
            ("planning", "arm_with"), f"{quoted(plan.arm_with or '')} is the control arm; name an arm set against it."
        )


def _allocation(outline: Outline, plan: PlanningPart) -> Iterator[Problem]:
    known = (*KNOWN_COVARIATES, *outline.covariates)
    for column in plan.allocation.strata:
        if column not in known:
            yield Problem(
                ("planning", "allocation", "strata", column),
                f"{quoted(column)} is not a column of the participants table{meant(column, known)}",
            )
    whole = sum(plan.ratio.get(arm, 1) for arm in outline.arms)
    for position, size in enumerate(plan.allocation.block_sizes):
        if whole and size % whole:
            yield Problem(
                ("planning", "allocation", "block_sizes", position),
                f"a block of {size} cannot hold the arms in their ratio; give a multiple of {whole}.",
            )


def _changes(outline: Outline, plan: PlanningPart) -> Iterator[Problem]:
    later = outline.visit_keys[1:]
    for arm, changes in plan.change.items():
        for visit in changes:
            if visit not in later:
                yield Problem(
                    ("planning", "change", arm, visit),
                    f"{quoted(visit)} in the planned change is not a visit after the baseline{_known(visit, later)}",
                )


def _losses(outline: Outline, plan: PlanningPart) -> Iterator[Problem]:
    for visit, share in plan.lost_by.items():
        place = ("planning", "lost_by", visit)
        if visit not in outline.visit_keys:
            yield Problem(
                place, f"{quoted(visit)} in lost_by is not a planned visit{_known(visit, outline.visit_keys)}"
            )
        elif visit == outline.visit_keys[0] and share > 0.0:
            yield Problem(place, f"nobody can have left before {quoted(visit)}, the baseline; leave it out of lost_by.")
    last: tuple[str, float] = ("", 0.0)
    for visit in outline.visit_keys:
        share = plan.lost_by.get(visit, last[1])
        if share < last[1]:
            yield Problem(
                ("planning", "lost_by", visit),
                f"the share lost by {quoted(visit)} ({share:g}) is below that by {quoted(last[0])} ({last[1]:g}); "
                "people who have left do not come back in this plan.",
            )
        last = (visit, share)


def _sets_of_visits(outline: Outline, plan: PlanningPart) -> Iterator[Problem]:
    for position, visits in enumerate(plan.compare.visits):
        place = ("planning", "compare", "visits", position)
        unknown = [visit for visit in visits if visit not in outline.visit_keys]
        if unknown:
            yield Problem(place, f"{quoted(unknown[0])} is not a planned visit{_known(unknown[0], outline.visit_keys)}")
            continue
        ends = {outline.visit_keys[0], outline.primary_visit} - {None}
        missing = sorted(visit for visit in ends if visit is not None and visit not in visits)
        if missing:
            yield Problem(
                place, f"a set of visits lacks {quoted(missing[0])}; each needs the baseline and the primary visit."
            )


def _known(word: str, known: Mapping[str, object] | list[str]) -> str:
    return meant(word, list(known))
