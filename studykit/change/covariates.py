"""What was known of people before the first visit and enters the model of change: covariates and strata.

Every column is centred over the people of the model, so that the mean of an arm at a visit is that of people with the
average covariates of this study. A covariate of words becomes one column of zeros and ones for each word but the first
in alphabetical order. A value that is not recorded takes the mean of its column. In a trial that is sound, because
allocation by chance makes the arms alike in what was known before it (White & Thompson 2005, Statistics in Medicine 24,
993–1007, from memory); an audit has no such ground, and there the gap is refused.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from studykit.data.study import Study
from studykit.errors import DesignError
from studykit.formatting import counted
from studykit.protocol import Protocol
from studykit.vocabulary import NUMBER_COLUMNS, PARTICIPANTS

_KNOWN_NAMES: Final = {"age_years": "age", "height_cm": "height", "mass_kg": "body mass", "sex": "sex", "site": "site"}
MANY_WORDS: Final = 20
"""Different words beyond which a covariate tells single people apart and is refused."""


@dataclass(frozen=True, slots=True)
class Adjusting:
    """The columns that a model is adjusted for.

    Attributes:
        columns: one row a participant (index: participant_id), one centred column a number or word; none missing.
        covariates, strata: what they stand for, in words, in the order of the protocol.
        notes: a sentence for everything that was filled in or left out.
    """

    columns: pd.DataFrame = field(default_factory=pd.DataFrame)
    covariates: tuple[str, ...] = ()
    strata: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def named(self) -> tuple[str, ...]:
        """Covariates and strata in words."""
        return (*self.covariates, *self.strata)

    def for_rows(self, participants: pd.Series) -> np.ndarray:
        """(rows, columns) the values of the participant of each row."""
        if not self.columns.shape[1]:
            return np.empty((len(participants), 0))
        values: np.ndarray = self.columns.loc[participants.to_numpy()].to_numpy(dtype=float)
        return values


def adjusting_of_study(study: Study, participants: pd.Series) -> Adjusting:
    """The declared covariates and strata of these participants.

    Args:
        study: the checked study.
        participants: ids, each at least once.

    Raises:
        DesignError: a covariate that nobody has a value of, with more than `MANY_WORDS` words, or, in an audit, with
            missing values.
    """
    declared = study.protocol.analysis
    ids = np.sort(participants.unique())
    people = study.table(PARTICIPANTS).set_index("participant_id").reindex(ids)
    parts, notes = [pd.DataFrame(index=people.index)], []
    used: dict[str, list[str]] = {"covariates": [], "strata": []}
    for part, names in (("covariates", declared.covariates), ("strata", declared.strata)):
        for name in names:
            words = name_of_covariate(study.protocol, name)
            column, note = _columns(people[name], name, words, study.protocol)
            parts.append(column)
            notes += [note] if note else []
            used[part] += [words] if column.shape[1] else []
    return Adjusting(pd.concat(parts, axis="columns"), tuple(used["covariates"]), tuple(used["strata"]), tuple(notes))


def name_of_covariate(protocol: Protocol, column: str) -> str:
    """A column of the participants table in words for a sentence."""
    if column in protocol.covariates:
        label = protocol.covariates[column].label
        return f"{label[:1].lower()}{label[1:]}"
    return _KNOWN_NAMES.get(column, column)


def _columns(values: pd.Series, name: str, words: str, protocol: Protocol) -> tuple[pd.DataFrame, str]:
    """Centred columns of one covariate, and a sentence when values were filled in or the covariate tells nothing."""
    missing = values.isna()
    declared = protocol.covariates.get(name)
    if missing.all():
        raise DesignError(
            f"{name} is named under [analysis] and recorded for nobody; fill it in, or take it out of the protocol."
        )
    _check_missing(missing, name, protocol)
    if name in NUMBER_COLUMNS or (declared is not None and declared.kind == "number"):
        made = pd.DataFrame({name: values.astype("float64")})
    else:
        made = _of_words(values, name)
    made = (made - made.mean()).fillna(0.0)
    made = made.loc[:, made.abs().max() > 0.0]
    if made.shape[1] == 0:
        return made, f"Everybody has the same {words}, so it tells nothing apart and is left out of the model."
    if not missing.any():
        return made, ""
    who = counted(int(missing.sum()), "participant")
    return made, (
        f"{words[:1].upper()}{words[1:]} is not recorded for {who} of {len(values)}; there the mean of the others "
        "stands in the model (sound in a trial: White & Thompson 2005, Statistics in Medicine 24, 993–1007)."
    )


def _of_words(values: pd.Series, name: str) -> pd.DataFrame:
    """A column of 0 and 1 for each word but the first; missing where the word is."""
    levels = sorted(values.dropna().astype(str).unique())
    if len(levels) > MANY_WORDS:
        raise DesignError(
            f"{name} is named under [analysis] and holds {len(levels)} different words; at most {MANY_WORDS} can enter "
            "a model. Group them, or take it out of the protocol."
        )
    return pd.DataFrame(
        {f"{name}: {level}": (values == level).astype("float64").mask(values.isna()) for level in levels[1:]},
        index=values.index,
    )


def _check_missing(missing: pd.Series, name: str, protocol: Protocol) -> None:
    if protocol.study.design != "trial" and missing.any():
        raise DesignError(
            f"{name} is named under [analysis] and not recorded for {int(missing.sum())} of "
            f"{counted(len(missing), 'participant')} (first: {missing.index[missing][0]}). Nobody was allocated by "
            "chance, so no value can stand in for it: fill it in, or take it out of the protocol."
        )
