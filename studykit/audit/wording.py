"""The sentences of the audit: headlines, cautions, notes. No therapist is ranked and no person is named."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import pandas as pd

from studykit.audit.against_others import AgainstOthers
from studykit.audit.groups import Grouping
from studykit.audit.planned import PlannedVisits
from studykit.change import MdcBeside
from studykit.data.study import Study
from studykit.formatting import counted, estimate, listed, number, share_estimate
from studykit.numerics.control_chart import RUN_LENGTH
from studykit.numerics.double_readings import PairError
from studykit.vocabulary import DIARY, MEASUREMENTS, PARTICIPANTS

SIGNAL: Final = "look together at how it is read"
NO_SIGNAL: Final = "no signal"
_FIELD_WORDS: Final = {
    "measured_on": "date",
    "instrument": "instrument",
    "warmed_up": "warm-up",
    "blinded": "blinding",
}
NOT_FOR_JUDGING: Final = (
    "Therapists see different cases, and a code stands for few people: nothing here says who measures or works better, "
    "and it is not meant for judging anybody."
)


def completeness_headline(counts: pd.DataFrame, confidence: float) -> str:
    """Visits that took place, and of those the complete ones."""
    at = counts[counts["by"] == "all"].set_index("kind")
    visits = at.loc["visits"]
    said = (
        f"{visits['done']} of {counted(int(visits['of']), 'visit')} that were due took place: "
        f"{share_estimate(visits['share'], visits['low'], visits['high'], confidence=confidence)}"
    )
    if "sides" not in at.index:
        return f"{said}."
    sides, trials = at.loc["sides"], at.loc["trials"]
    return (
        f"{said}. All planned sides and measures were read at "
        f"{share_estimate(sides['share'], sides['low'], sides['high'])} of these, with all planned trials at "
        f"{share_estimate(trials['share'], trials['low'], trials['high'])}."
    )


def completeness_cautions(study: Study) -> tuple[str, ...]:
    """What the shares do not show."""
    aside = int(study.rows_set_aside.get(MEASUREMENTS, 0))
    said = []
    if aside:
        said.append(
            f"{counted(aside, 'reading')} set aside by the check count{'s' if aside == 1 else ''} as missing here: "
            "mending the sheet makes the record more complete."
        )
    return (
        *said,
        "Visits of one person are counted as if they were independent, so that intervals are a little narrow where "
        "the same people's visits are missing.",
        "Complete is not correct: what was written down may still be wrong.",
        NOT_FOR_JUDGING,
    )


def completeness_methods(planned: PlannedVisits) -> str:
    """How it was counted."""
    until = "" if planned.last_day is None else " before the last dated reading in a window"
    return (
        f"A planned visit was due when its window had closed{until}, or when it took place. What was planned at a "
        "visit is what anybody of the same group was read in there. Shares have Wilson score intervals (Wilson 1927)."
    )


def completeness_notes(
    study: Study, planned: PlannedVisits, months: Grouping, therapists: Grouping, counts: pd.DataFrame
) -> tuple[str, ...]:
    """What is counted, what beside visits was filled, and which groups were joined."""
    smallest = study.protocol.privacy.smallest_group
    said = [
        "Visits: that took place, of those due by the month planned. The last columns are shares of visits that took "
        "place; a visit counts for the therapist who read most at it."
    ]
    if planned.fields:
        named = [_FIELD_WORDS[name] for name in planned.fields]
        said.append(f"Fields of a reading that this study keeps: {listed(named)}.")
    at = counts[counts["by"] == "all"].set_index("kind")
    if "start" in at.index:
        row = at.loc["start"]
        said.append(
            f"Every characteristic kept at the start was filled for {row['done']} of "
            f"{counted(int(row['of']), 'participant')}: {share_estimate(row['share'], row['low'], row['high'])}."
        )
    if "diary_weeks" in at.index:
        row = at.loc["diary_weeks"]
        keepers = study.table(DIARY)["participant_id"].nunique()
        said.append(
            f"{keepers} of {counted(len(study.table(PARTICIPANTS)), 'participant')} kept a diary; of their prescribed "
            f"weeks {row['done']} of {row['of']} have an entry: "
            f"{share_estimate(row['share'], row['low'], row['high'])}."
        )
    if planned.not_due:
        said.append(f"{counted(planned.not_due, 'planned visit')} not due yet and not counted.")
    if months.joined or therapists.joined:
        said.append(f"Months and therapists with fewer than {smallest} people are joined with others.")
    return tuple(said)


def timeliness_headline(delays: pd.DataFrame, confidence: float) -> str:
    """Share inside the window and days off."""
    row = delays[delays["by"] == "all"].iloc[0]
    share = share_estimate(row["share"], row["low"], row["high"], confidence=confidence)
    low, middle, high = (_tidy_days(row[f"days_{name}"]) for name in ("low_quarter", "median", "high_quarter"))
    return (
        f"{row['inside']} of {counted(int(row['visits']), 'visit')} with a date lay inside their window: {share}. Days "
        f"off the planned day: median {middle} (middle half {low} to {high}; above 0 is later)."
    )


def timeliness_cautions() -> tuple[str, ...]:
    """What the days do not show."""
    return (
        "A date may be wrong where the visit was on time: look at the finding “visit outside window” first.",
        NOT_FOR_JUDGING,
    )


def timeliness_methods() -> str:
    """How it was counted."""
    return (
        "A visit was inside its window when all its dated readings were. Days off run from the planned day (date of "
        "enrolment plus the planned weeks) to the day of most readings of the visit."
    )


def timeliness_notes(study: Study, undated: int) -> tuple[str, ...]:
    """What is counted."""
    said = ["Days off: above 0 later than planned, below 0 earlier."]
    if undated:
        said.append(f"{counted(undated, 'visit')} without a date or a date of enrolment left out.")
    smallest = study.protocol.privacy.smallest_group
    return (*said, f"Groups are shown where each has at least {smallest} people.")


def _tidy_days(days: float) -> str:
    """Days without decimals where there are none."""
    return number(days, 0 if float(days).is_integer() else 1)


def too_few_words(people: int, smallest: int) -> str:
    """People read twice where they are too few; a number below the smallest group is not said."""
    return f"{_people_words(people, smallest)} read twice"


def _people_words(people: int, smallest: int) -> str:
    return f"fewer than {smallest} people" if people < smallest else counted(people, "person", "people")


def doubles_headline(
    errors: Mapping[tuple[str, str], PairError],
    too_few: Mapping[tuple[str, str], int],
    names: Mapping[str, str],
    units: Mapping[str, str],
    fewest: int,
    smallest: int,
    confidence: float,
) -> str:
    """How far apart pairs lie, of the first measure that has enough."""
    if not errors:
        said = _people_words(max(too_few.values()), smallest)
        said = f"{said[0].upper()}{said[1:]} had a limb read twice at one visit"
        return f"{said}; with fewer than {fewest} no error is given."
    (measure, kind), error = next(iter(errors.items()))
    unit = units[measure]
    apart = estimate(error.apart, error.apart_low, error.apart_high, unit=unit, confidence=confidence)
    sem = estimate(error.sem, error.sem_low, error.sem_high, unit=unit, confidence=confidence)
    return (
        f"{names[measure]}: 95 of 100 pairs of readings by {kind} lie less than {apart} apart "
        f"({counted(error.pairs, 'pair')} of {counted(error.people, 'person', 'people')}). The standard error of "
        f"measurement of one of them is {sem}."
    )


def mdc_words(mdc: MdcBeside | None, unit: str) -> str:
    """The MDC as it stands beside change, or that there is none."""
    return "" if mdc is None else f"The MDC of one person is {mdc.in_words(unit)}."


def doubles_cautions(mdc: MdcBeside | None, unit: str) -> tuple[str, ...]:
    """What pairs do not show."""
    return (
        *([f"{mdc_words(mdc, unit)} It is an estimate of its own ({mdc.words})."] if mdc is not None else []),
        "Pairs on one day show the error of reading, not how a person differs from day to day.",
        "A second therapist who knows the first reading is drawn towards it; let both read blind.",
        NOT_FOR_JUDGING,
    )


def doubles_methods() -> str:
    """How it was computed."""
    return (
        "Each reading is the mean of its trials. The standard error of measurement is the root of half the mean "
        "square of the differences of pairs, so that differences between therapists are part of it; its interval "
        "counts people (Graybill & Wang 1980). 95% of the differences lie within 1.96 √2 times it (Bland & Altman "
        "1996)."
    )


def doubles_notes(fewest: int, mdc: MdcBeside | None, name: str, unit: str) -> tuple[str, ...]:
    """What the columns are."""
    beside = f"{name}: {mdc_words(mdc, unit)}" if mdc is not None else ""
    note = f"SEM: standard error of measurement. No error is given below {fewest} people (common practice, no source)."
    return (note, *([beside] if beside else []))


def chart_headline(name: str, charts: Mapping[str, AgainstOthers], total: int, fewest: int) -> str:
    """How many charts there are and how many ask for a look; no code is named."""
    if not charts:
        return (
            f"{name}: none of {counted(total, 'therapist')} has {fewest} visits that can be held against the others' "
            "readings, so there is no chart yet."
        )
    having = f"{len(charts)} of {counted(total, 'therapist')} {'has' if len(charts) == 1 else 'have'}"
    asking = sum(found.signals for found in charts.values())
    if not asking:
        found = "no chart asks for a look"
    elif asking == len(charts):
        found = f"{'the chart' if asking == 1 else 'each chart'} has a signal: {SIGNAL}"
    else:
        found = f"{asking} of {len(charts)} charts {'has' if asking == 1 else 'have'} a signal: {SIGNAL}"
    return f"{name}: {having} {fewest} or more visits that can be held against the others' readings; {found}."


def chart_cautions(charts: Mapping[str, AgainstOthers]) -> tuple[str, ...]:
    """What a chart does not show."""
    return (
        "A signal is a question about how an angle is read, about a slip in the sheet or about unusual cases; it is no "
        "verdict on a person.",
        "Of charts of 20 to 60 values without any shift 11 to 31 in 100 have a signal by chance alone (simulated), and "
        "there are several charts.",
        "The others are no gold standard: where one therapist lies above them, they lie below that one.",
        *(
            ("With two therapists each chart mirrors the other; it does not tell who shifted.",)
            if len(charts) == 2
            else ()
        ),
        NOT_FOR_JUDGING,
    )


def chart_methods(fewest: int) -> str:
    """How the chart is made."""
    return (
        "A value is one visit of one person: reading less what the other therapists' readings let one expect (best "
        "linear unbiased prediction from the model of change without that therapist), mean over the limbs, in the "
        "order of time. Limits lie 3 mean moving ranges / 1.128 about zero, the limit of a moving range at 3.267 times "
        f"their mean (individuals and moving range chart: Shewhart 1931; NIST/SEMATECH e-Handbook 6.3.2.2), a run is "
        f"{RUN_LENGTH} values on one side of zero (Western Electric 1956); sources from memory. Charts from {fewest} "
        "values on: common practice, no source."
    )


def chart_notes(left_out: int, undated: int, earlier: int, mdc: MdcBeside | None, unit: str) -> tuple[str, ...]:
    """What the columns are and what was left out."""
    said = [
        "In the order of codes. Mean difference: reading less expected, people as units. Jump: a moving range above "
        "its limit, which is no signal by itself."
    ]
    if mdc is not None:
        said.append(f"{mdc_words(mdc, unit)} A value here is the mean over the limbs of one visit.")
    if left_out:
        said.append(f"{counted(left_out, 'visit')} of people whom no other therapist read left out.")
    if undated:
        said.append(f"{counted(undated, 'visit')} without a date left out.")
    if earlier:
        said.append(f"Charted are the latest visits of each therapist; {counted(earlier, 'earlier one')} left out.")
    return tuple(said)
