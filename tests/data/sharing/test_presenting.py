"""What a report shows of a study in whose words people can be recognised."""

from __future__ import annotations

import pandas as pd
import pytest
from shared_studies import people, study_of

from studykit.data.sharing.presenting import presentable
from studykit.data.sharing.privacy import quotes_an_identifier


def test_a_study_without_names_comes_back_as_it_is() -> None:
    study = study_of(participants=people(3, site=["quay", "ship", None]))
    assert presentable(study) is study


def test_codes_that_are_names_get_one_label_in_every_table() -> None:
    codes = ["Zebedee Quillfeather", "P2", "Ada"]
    study = study_of(
        participants={"participant_id": codes},
        measurements={"participant_id": [codes[2], codes[0], "P2"], "rater_id": ["Dr Quill", "r1", None]},
    )
    shown = presentable(study)
    assert list(shown.tables["participants"]["participant_id"]) == ["participant 2", "P2", "participant 1"]
    assert list(shown.tables["measurements"]["participant_id"]) == ["participant 1", "participant 2", "P2"]
    assert shown.tables["measurements"]["rater_id"].tolist()[:2] == ["rater 1", "r1"]
    assert pd.isna(shown.tables["measurements"]["rater_id"].tolist()[2])
    assert shown.data_sha256 == study.data_sha256  # the numbers still come from the rows that were read
    assert shown.provenance() == study.provenance()


def test_words_and_sentences_that_hold_an_identifier_are_not_shown_and_stay_apart() -> None:
    cells = ["fell", "saw Zebedee Quillfeather", "born 14.05.1962", "fell"]
    study = study_of(events={"participant_id": ["P1"] * 4, "description": cells})
    shown = presentable(study).tables["events"]["description"]
    assert list(shown) == ["fell", "not shown 2", "not shown 1", "fell"]


@pytest.mark.parametrize(
    ("sentence", "quotes"),
    [
        ("'Zebedee Quillfeather' is not in the raters table.", True),
        ('"14.05.1962" is no number.', True),
        ("“MRN00482913” is unknown.", True),
        ("'r9' is not in the raters table.", False),
        ("The flow table says that this participant left on 2026-02-10.", False),
        ("Correct the rater's id here, or the arm's.", False),
        ("'46,5' has a decimal comma.", False),
    ],
)
def test_a_sentence_that_quotes_an_identifier_is_seen(sentence: str, quotes: bool) -> None:
    assert quotes_an_identifier(sentence) is quotes
