"""What a study says about itself, one sentence or two a subject: the answers to reporting items."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import pandas as pd

from studykit.answers import Section
from studykit.data import Study
from studykit.formatting import counted, level, listed, number, percent, unit_sign
from studykit.report import audit_paper, people_facts
from studykit.result import Result
from studykit.vocabulary import DIARY, FLOW, MEASUREMENTS, PARTICIPANTS, PRESCRIPTIONS, RATERS

_DESIGN_WORDS: Final = {"trial": "Trial", "audit": "Audit of routine outcomes", "reliability": "Reliability study"}
_TRIALS_USED: Final = {"mean": "The mean of the trials", "all": "Every trial", "best": "The best trial"}


@dataclass(frozen=True)
class Facts:
    """The subjects that protocol, data and answers know; "" where they know nothing.

    Attributes:
        study: the checked study.
        results: key -> answer.
        set_aside: rows that the check set aside; used: rows used.
    """

    study: Study
    results: Mapping[str, Result]
    used: int
    set_aside: int

    def about(self, subject: str) -> str:
        """What is known about a subject of `SUBJECTS`; "" when nothing is."""
        return SUBJECTS[subject](self)

    @cached_property
    def readings(self) -> pd.DataFrame:
        """Readings of the primary measure."""
        rows = self.study.table(MEASUREMENTS)
        return rows[rows["measure"] == self.study.protocol.study.primary_measure]

    def headline(self, key: str) -> str:
        """The headline of an answer, or ""."""
        return self.results[key].headline if key in self.results else ""

    def methods(self, key: str) -> str:
        """The methods of an answer, or ""."""
        return self.results[key].methods if key in self.results else ""

    @cached_property
    def reliability_readings(self) -> pd.DataFrame:
        """Readings of the primary measure at the sittings that were held for reliability, or all of them."""
        plan = self.study.protocol.reliability
        rows = self.readings
        return rows if plan is None or not plan.sittings else rows[rows["visit"].isin(plan.sittings)]

    @property
    def primary(self) -> str:
        """Key of the primary measure."""
        return self.study.protocol.study.primary_measure

    @property
    def main_answer(self) -> str:
        """Key of the answer that the study is judged by."""
        wanted = (f"difference.{self.primary}", f"change.{self.primary}", f"reliability.{self.primary}")
        return next((key for key in wanted if key in self.results), "")


def facts_of(study: Study, sections: tuple[Section, ...], *, used: int, set_aside: int) -> Facts:
    """Facts about a study and its answers."""
    return Facts(study, {result.key: result for section in sections for result in section.results}, used, set_aside)


def _arms(facts: Facts) -> str:
    arms = facts.study.protocol.arms
    names = [f"“{arm.label}”{' (control)' if arm.control else ''}" for arm in arms.values()]
    return f"{counted(len(arms), 'arm')}: {listed(names, most=len(names))}." if arms else ""


def _doses(facts: Facts) -> str:
    said = []
    for arm in facts.study.protocol.arms.values():
        if arm.dose is None:
            said.append(f"{arm.label}: nothing asked.")
            continue
        dose = arm.dose
        said.append(
            f"{arm.label}: {dose.technique.replace('_', ' ')}, {number(dose.hold_s, 0)}{unit_sign('s')} × "
            f"{dose.repetitions}, {dose.sessions_per_day:g} a day, {dose.days_per_week:g} days a week, "
            f"{dose.weeks:g} weeks ({number(dose.minutes_per_week, 1)} minutes a week a side)."
        )
    return " ".join(said)


def _techniques(facts: Facts) -> str:
    found = dict.fromkeys(arm.dose.technique for arm in facts.study.protocol.arms.values() if arm.dose)
    return f"{listed([name.replace('_', ' ').capitalize() for name in found], most=len(found))}." if found else ""


def _intensity(facts: Facts) -> str:
    asked = facts.study.table(PRESCRIPTIONS)["intensity_0_10"].dropna()
    if asked.empty:
        return ""
    low, high = float(asked.min()), float(asked.max())
    span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return f"Intensity asked for: {span} of 10."


def _outcome(facts: Facts) -> str:
    protocol = facts.study.protocol
    at = f" at {protocol.visit(protocol.study.primary_visit).label}" if protocol.study.primary_visit else ""
    others = [measure.name for key, measure in protocol.measures.items() if key != facts.primary]
    besides = f" Besides: {listed(others, most=len(others))}." if others else ""
    return f"Primary: {protocol.primary.name}{at}. {_instrument(facts)}{besides}"


def _instrument(facts: Facts) -> str:
    measure = facts.study.protocol.primary
    return f"{measure.name}: {measure.instrument}; {measure.position}. Zero and sign: {measure.zero_and_sign}."


def _visits(facts: Facts) -> str:
    visits = facts.study.protocol.visits
    planned = [f"{visit.label} (week {visit.week:g})" for visit in visits]
    return f"Visits: {listed(planned, most=len(planned))}." if planned else ""


def _ratio(facts: Facts) -> str:
    people = facts.study.table(PARTICIPANTS)["arm"].value_counts()
    counts = [str(int(people.get(key, 0))) for key in facts.study.protocol.arms]
    return f"Allocated in this order: {' : '.join(counts)} participants (the ratio planned is to be written)."


def _sites(facts: Facts) -> str:
    sites = facts.study.table(PARTICIPANTS)["site"].dropna().nunique()
    return f"{counted(sites, 'site')} (what they are is to be written)." if sites else ""


def _recruitment(facts: Facts) -> str:
    """Length only: dates of single people are nobody's business in a table for print."""
    days = facts.study.table(PARTICIPANTS)["enrolled_on"].dropna()
    if len(days) < facts.study.protocol.privacy.smallest_group:
        return ""
    span = int((days.max() - days.min()).days)
    return f"Enrolment went over {counted(span, 'day')} (the dates are to be written)."


def _blinded(readings: pd.DataFrame) -> str:
    blinded = readings["blinded"].dropna()
    if blinded.empty:
        return ""
    share = percent(float(blinded.astype(float).mean()))
    return f"Rater blinded in {share} of {counted(len(blinded), 'reading')} with a record."


def _blinding(facts: Facts) -> str:
    return _blinded(facts.readings)


def _blinding_of_reliability(facts: Facts) -> str:
    return _blinded(facts.reliability_readings)


def _warm_up(facts: Facts) -> str:
    warm = facts.reliability_readings["warmed_up"].dropna()
    if warm.empty:
        return ""
    share = percent(float(warm.astype(float).mean()))
    return f"Warmed up before {share} of {counted(len(warm), 'reading')} with a record."


def _reliability_people(facts: Facts) -> str:
    people = facts.reliability_readings["participant_id"].nunique()
    everybody = len(facts.study.table(PARTICIPANTS))
    where = " Everybody is described under “Sample at the start”." if "sample" in facts.results else ""
    return f"{people} of {counted(everybody, 'participant')} of the study.{where}"


def _losses(facts: Facts) -> str:
    if facts.study.table(FLOW).empty or "flow" not in facts.results:
        return ""
    return "In the table and diagram “Participant flow”, with the reasons recorded."


def _flow_diagram(facts: Facts) -> str:
    return "Drawn from the counts, under “Participant flow”." if "flow" in facts.results else ""


def _raters(facts: Facts) -> str:
    raters = facts.study.table(RATERS)
    professions = sorted(set(raters["profession"].dropna()))
    who = f" ({listed(professions)})" if professions else ""
    count = facts.reliability_readings["rater_id"].nunique()
    return f"{counted(count, 'rater')}{who}." if count else ""


def _raters_meant(facts: Facts) -> str:
    plan = facts.study.protocol.reliability
    if plan is None:
        return ""
    return "Other raters like these." if plan.generalise_to == "other raters" else "These raters only."


def _reliability_counts(facts: Facts) -> str:
    return facts.methods(f"reliability.{facts.primary}")


def _reliability_estimates(facts: Facts) -> str:
    key = f"reliability.{facts.primary}"
    return f"{facts.headline(key)} Others stand under the answers about reliability." if key in facts.results else ""


def _missing_rule(facts: Facts) -> str:
    words = {
        "all observed visits": "Every visit that was made entered the model; valid if missing at random.",
        "complete participants": "Only participants measured at every visit were used.",
    }
    if not facts.study.protocol.visits:
        return ""
    filled = facts.results.get(f"filled_in.{facts.primary}")
    also = f" Besides, missing visits were filled in, under “{filled.title}”." if filled is not None else ""
    return f"{words[facts.study.protocol.study.missing_visits]}{also}"


def _secondary(facts: Facts) -> str:
    titles = [result.title for key, result in facts.results.items() if _is_further(key, facts.primary)]
    return f"Under {listed([f'“{title}”' for title in titles], most=6)}." if titles else ""


def _is_further(key: str, primary: str) -> bool:
    starts = (
        "difference.",
        "change.",
        "responders",
        "single_people",
        "individual_response",
        "dose.",
        "sensitivity",
        "filled_in",
    )
    return key.startswith(starts) and key not in (f"difference.{primary}", f"change.{primary}")


def _sensitivity(facts: Facts) -> str:
    starts = ("sensitivity", "filled_in")
    titles = [result.title for key, result in facts.results.items() if key.startswith(starts)]
    return f"Under {listed([f'“{title}”' for title in titles])}." if titles else ""


def _sensitivity_methods(facts: Facts) -> str:
    return " ".join(facts.methods(f"{name}.{facts.primary}") for name in ("sensitivity", "filled_in")).strip()


def _estimand(facts: Facts) -> str:
    return facts.headline("estimands")


def _title_says(facts: Facts, *words: str) -> str:
    title = facts.study.protocol.study.title
    return _title(facts) if any(word in title.lower() for word in words) else ""


def _title(facts: Facts) -> str:
    return f"Title of the protocol: “{facts.study.protocol.study.title}”."


def _confidence(facts: Facts) -> str:
    return f"{level(facts.study.protocol.study.confidence)}s, two-sided."


def _software(facts: Facts) -> str:
    versions = facts.study.provenance().versions
    return f"{listed([f'{name} {version}' for name, version in versions], most=len(versions))}."


def _rows(facts: Facts) -> str:
    return (
        f"{counted(facts.used, 'row')} used, {counted(facts.set_aside, 'row')} set aside with a reason each; every "
        "cell changed on the way in stands in import_log.csv."
    )


def _several(facts: Facts) -> str:
    cautions = facts.results[facts.main_answer].cautions if facts.main_answer else ()
    return next((caution for caution in cautions if "comparisons" in caution), "")


def _adherence(facts: Facts) -> str:
    return facts.headline("adherence")


def _diary_planned(facts: Facts) -> str:
    return "" if facts.study.table(DIARY).empty else "By a diary of every session."


SUBJECTS: Final[dict[str, Callable[[Facts], str]]] = {
    "title_says_random": lambda facts: _title_says(facts, "random"),
    "title_says_observed": lambda facts: _title_says(facts, "audit", "observation", "cohort", "cross-section"),
    "title_says_reliability": lambda facts: _title_says(facts, "reliab", "agree"),
    "question": lambda facts: facts.study.protocol.study.question,
    "design": lambda facts: f"{_DESIGN_WORDS[facts.study.protocol.study.design]}.",
    "arms": _arms,
    "ratio": _ratio,
    "sites": _sites,
    "doses": _doses,
    "techniques": _techniques,
    "intensity": _intensity,
    "outcome": _outcome,
    "instrument": _instrument,
    "visits": _visits,
    "blinding": _blinding,
    "blinding_of_reliability": _blinding_of_reliability,
    "reliability_people": _reliability_people,
    "warm_up": _warm_up,
    "analysis": lambda facts: facts.methods(facts.main_answer),
    "flow": lambda facts: facts.headline("flow"),
    "flow_diagram": _flow_diagram,
    "losses": _losses,
    "recruitment_span": _recruitment,
    "sample": lambda facts: facts.headline("sample"),
    "measured": lambda facts: facts.headline("missing"),
    "missing": lambda facts: "In the table “Missing readings by visit and arm”." if "missing" in facts.results else "",
    "by_allocation": lambda facts: "Arms as allocated." if facts.main_answer.startswith("difference") else "",
    "estimates": lambda facts: facts.headline(facts.main_answer),
    "headline": lambda facts: facts.headline(facts.main_answer),
    "secondary": _secondary,
    "sensitivity": _sensitivity,
    "sensitivity_methods": _sensitivity_methods,
    "further_methods": lambda facts: people_facts.methods(facts.study, facts.results),
    "shares": lambda facts: people_facts.shares(facts.study, facts.results),
    "cut": lambda facts: people_facts.cut(facts.study, facts.results),
    "assumptions": lambda facts: people_facts.assumptions(facts.study, facts.results),
    "important_change": lambda facts: people_facts.important_change(facts.study),
    "conduct": lambda facts: people_facts.conduct(facts.study, facts.results),
    "estimand": _estimand,
    "harms": lambda facts: facts.headline("events"),
    "protocol": lambda facts: (
        f"study.toml (SHA-256 {facts.study.provenance().protocol_sha256}); where to read it is to be written."
    ),
    "raters": _raters,
    "raters_meant": _raters_meant,
    "reliability_methods": lambda facts: facts.methods(f"reliability.{facts.primary}"),
    "reliability_counts": _reliability_counts,
    "reliability_estimates": _reliability_estimates,
    "details": lambda _facts: "results.json and the tables beside this report hold every number.",
    "trials_used": lambda facts: f"{_TRIALS_USED[facts.study.protocol.study.trials_used]} of a visit.",
    "missing_rule": _missing_rule,
    "adherence": _adherence,
    "diary_planned": _diary_planned,
    "rounding": lambda _facts: "By the width of the interval, to two digits of it; every number carries its unit.",
    "sizes": lambda _facts: "In headings, cells or notes of every table.",
    "spread": lambda facts: "Standard deviation or middle half." if "sample" in facts.results else "",
    "rows": _rows,
    "dependence": lambda facts: (
        "Limbs, visits and raters are random terms of one model; limbs are never counted as people."
        if facts.study.protocol.visits
        else ""
    ),
    "confidence": _confidence,
    "several": _several,
    "software": _software,
    "months": lambda facts: audit_paper.months(facts.results),
    "record_kept": lambda facts: audit_paper.kept(facts.results, "completeness"),
    "record_in_time": lambda facts: audit_paper.kept(facts.results, "timeliness"),
    "double_readings": lambda facts: audit_paper.kept(facts.results, "double_readings"),
    "charts": lambda facts: audit_paper.charts(facts.results),
    "audit_methods": lambda facts: audit_paper.methods(facts.results),
    "groups_of_record": lambda facts: audit_paper.groups(facts.study, facts.results),
    "estimates_or_reliability": lambda facts: facts.headline(facts.main_answer),
}
"""Subject -> what is known about it."""
