"""Which question does each answer of a trial answer? The estimands by name, and where each is computed.

Terms of the addendum on estimands to the guideline on statistical principles for clinical trials (ICH E9(R1), 2019),
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

from studykit.errors import DesignError
from studykit.formatting import percent
from studykit.result import Result
from studykit.sensitivity.analyses import PER_PROTOCOL
from studykit.sensitivity.by_person import WHILE_ON_TREATMENT
from studykit.sensitivity.rows import PRIMARY
from studykit.sensitivity.table import OtherChoices
from studykit.table import Column, Table

ESTIMAND_COLUMNS: Final = ("estimand", "question", "people", "visits", "stopped", "left", "low_adherence", "where")
_ROW_OF: Final = {"treatment policy": PRIMARY, "while on treatment": WHILE_ON_TREATMENT, "per protocol": PER_PROTOCOL}


@dataclass(frozen=True, kw_only=True)
class Estimands(Result):
    """The estimands of a trial.

    Attributes:
        rows: `ESTIMAND_COLUMNS`, one row an estimand; `where` names answer and row.
        computed: estimand -> True when its numbers are there.
    """

    rows: pd.DataFrame
    computed: dict[str, bool]

    def to_frame(self) -> pd.DataFrame:
        """One row an estimand."""
        return self.rows.assign(computed=[self.computed[name] for name in self.rows["estimand"]])

    def numbers(self) -> dict[str, float]:
        """`<estimand>.computed`: 1 when its numbers are there, else 0."""
        return {f"{name.replace(' ', '_')}.computed": float(done) for name, done in self.computed.items()}

    def table(self) -> Table:
        """One row an estimand."""
        heads = ("Estimand", "Question", "People", "Readings", "Who stopped practising", "Who left", "Little practice")
        return Table(
            "estimands",
            "Which question each answer is about",
            tuple(Column(name, "left") for name in (*heads, "Where it is computed")),
            tuple(tuple(str(row[name]) for name in ESTIMAND_COLUMNS) for row in self.rows.to_dict("records")),
            ("The first is the question of the protocol; the others are about people who were not chosen by chance.",),
        )


def estimands_of_study(choices: OtherChoices) -> Estimands:
    """Name the estimands of a trial from its analyses.

    Raises:
        DesignError: no trial; without allocation there is no effect of being allocated to define.
    """
    planned = choices.planned
    if not planned.trial:
        raise DesignError("Estimands are named for a trial: without allocation there is no effect of it to define.")
    study, measure = planned.study, planned.measure
    visit = study.protocol.visit(planned.readings.primary_visit).label
    enough = percent(study.protocol.analysis.enough_adherence)
    done = set(choices.rows.loc[choices.rows["estimate"].notna(), "analysis"])
    computed = {name: row in done for name, row in _ROW_OF.items()}
    labels = choices.rows.drop_duplicates("analysis").set_index("analysis")["label"]

    def where(row: str) -> str:
        said = f"sensitivity.{measure}, row “{labels[row]}”"
        return said if row in done else f"{said}: not computed, see the note there"

    all_rule = study.protocol.study.missing_visits == "all observed visits"
    rows = [
        (
            "treatment policy",
            f"What does being asked to stretch do to the angle at {visit}?",
            "Everybody who was allocated" if all_rule else "Those measured at every visit (the rule of the protocol)",
            "All visits that were made",
            "Counts as any other; readings after it are used",
            f"Missing readings by the readings that were taken (missing at random); shifted in filled_in.{measure}",
            "Does not matter",
            f"difference.{measure}",
        ),
        (
            "while on treatment",
            "What does stretching do to the angle for as long as people go on?",
            "Those measured after the baseline while still practising",
            "The last one while still practising",
            "Readings after it are not used",
            "The last reading before counts",
            "Counts while it goes on",
            where(WHILE_ON_TREATMENT),
        ),
        (
            "per protocol",
            f"How do people do at {visit} who do as they were asked?",
            f"Those with at least {enough} of the minutes, and the control arm",
            "All visits that were made",
            "Left out, when too little was done",
            "As in the first row",
            "Left out",
            where(PER_PROTOCOL),
        ),
    ]
    return Estimands(
        key="estimands",
        title="Which question is answered where?",
        headline=(
            "The planned answer is about treatment policy: what being asked to stretch does, whatever was done. While "
            "on treatment and per protocol are other questions, answered in single rows of the other analyses."
        ),
        cautions=(
            "Per protocol and while on treatment break the comparison by chance: those who do as asked, and those who "
            "go on, may differ from the others in more than the stretching, and the control arm holds no such choice.",
        ),
        methods="Estimands are named after ICH E9(R1) (2019).",
        provenance=study.provenance(),
        rows=pd.DataFrame(rows, columns=list(ESTIMAND_COLUMNS)),
        computed=computed,
    )
