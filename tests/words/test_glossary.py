"""The glossary: plain, complete, honest about its sources; every technical word that is printed stands in it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import studykit
from studykit.cli import main
from studykit.commands.speaking import CALLED_WRONGLY, CLEAN
from studykit.errors import CallError
from studykit.words import glossary, meaning_of
from studykit.words.glossary import FROM_MEMORY, NO_SOURCE

ROOT = Path(__file__).parent.parent.parent
STUDIES = ("knee_goniometer", "clinic_audit", "ferry_trial")
BROUGHT_BY_DATA = {"EX", "TRUE", "XY"}
"""Entries of the made-up workbook that its findings quote."""
NAMES = {"README", "DEVELOPERS", "LICENSE", "CITATION", "MIT", "EXAMPLE", "FILE", "FOLDER"}
"""Words in capitals that are names of files, and no terms."""
TECHNICAL = """
    goniometer, range of motion, rater, arm, baseline, protocol, audit, trial, target, limb, adverse event,
    mixed model, Kenward–Roger, REML, constrained baseline, limits of agreement, kappa, minimal detectable
    change, standard error of measurement, intraclass correlation, confidence interval, standard deviation,
    power, Monte Carlo, minimisation, allocation, noncentral t, estimand, per protocol, imputation, Rubin's
    rules, Barnard–Rubin, CR2, robust errors, analysis of covariance, tipping point, regression to the mean,
    drift, favourite digits, half-maximal dose, maximum likelihood, profile-likelihood interval, AICc, BIC,
    association, adherence, participant flow, Wilson, Newcombe, moving range, seal, hash, pseudonym,
    suspicion, set aside, covariate, strata, p value, degrees of freedom, individual response, primary
    measure, reporting items, bootstrap, graded, MAR, missing at random, ITT, treatment policy, while on treatment,
    as allocated, median, middle half, residual, Cook's distance, random slope, random intercept, standard error,
    completeness, timeliness, window, double reading, moving range, signal, saturating curve, common practice,
    two-sided, alpha, percent agreement, technique, visit, seed, set aside
"""
"""Words of statistics and of the trade that README, headlines or messages use."""


def prose() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for code in (r"(?ms)^```.*?^```$", r"(?m)^    .*$", r"`[^`]*`", r"\[[^\]]*\]\([^)]*\)", r"(?m)^\|.*P00\d.*$"):
        text = re.sub(code, " ", text)
    return text


def headlines(name: str) -> str:
    sections = studykit.answer(studykit.open_study(ROOT / "synthetic_data" / name))
    return " ".join([*(part.title for part in sections), *(one.headline for part in sections for one in part.results)])


def shortened_words(text: str) -> set[str]:
    """Words in capitals, such as ICC or AICc; codes of people, raters and arms have digits or stand in quotes."""
    plain = re.sub(r"“[^”]*”", " ", text)
    return {
        word
        for word in re.findall(r"\b[A-Z]{2,}[a-z]?\d?\b|\bTIDieR\b", plain)
        if not re.fullmatch(r"[A-Z]{1,2}\d+", word) or word == "CR2"
    }


def test_every_entry_is_plain_and_has_a_source_or_says_that_it_has_none() -> None:
    for entry in glossary():
        assert entry.meaning.endswith(".")
        assert 20 < len(entry.meaning) < 400, entry.word
        assert entry.source in NO_SOURCE or re.search(r"\d", entry.source) or "Montgomery" in entry.source, entry.word
        assert (entry.source_line == entry.source) is (entry.source in NO_SOURCE)


def test_no_form_leads_to_two_entries() -> None:
    forms = [form.casefold() for entry in glossary() for form in (entry.word, *entry.also)]
    assert len(forms) == len(set(forms)), sorted({form for form in forms if forms.count(form) > 1})


@pytest.mark.parametrize("word", ["ICC", "icc", "Kenward-Roger", "kenward roger", "ICC(A,1)", "limits of agreement"])
def test_a_word_is_found_however_it_is_written(word: str) -> None:
    assert meaning_of(word).meaning


def test_an_unknown_word_is_told_what_is_near() -> None:
    with pytest.raises(CallError, match=r"'kapa' is not in the glossary\. Did you mean kappa"):
        meaning_of("kapa")
    with pytest.raises(CallError, match="'studykit words' alone lists all"):
        meaning_of("xyzzyxyzzy")


def test_the_technical_words_of_the_kit_are_there() -> None:
    for word in (" ".join(one.split()) for one in TECHNICAL.split(",")):
        assert explained(word), word


def test_every_shortened_word_of_readme_is_explained() -> None:
    found = shortened_words(prose()) - NAMES
    assert {"ICC", "SEM", "MDC", "REML"} <= found  # the search finds what it is for
    assert [word for word in sorted(found) if not explained(word)] == []


@pytest.mark.parametrize("name", STUDIES)
def test_every_shortened_word_of_a_headline_is_explained(name: str) -> None:
    study = studykit.open_study(ROOT / "synthetic_data" / name)
    codes = {str(code) for code in study.table("measurements")["rater_id"].dropna().unique()}
    assert [word for word in sorted(shortened_words(headlines(name)) - NAMES - codes) if not explained(word)] == []


@pytest.mark.parametrize("name", STUDIES)
def test_every_shortened_word_of_a_finding_is_explained(name: str) -> None:
    findings = studykit.check_study(ROOT / "synthetic_data" / name).findings
    told = " ".join([*findings["message"].astype(str), *findings["what_to_do"].astype(str)])
    assert [word for word in sorted(shortened_words(told) - BROUGHT_BY_DATA) if not explained(word)] == []


def test_every_source_is_told_as_recalled(capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody looked at any of the sources, and the command says so beside each one."""
    for entry in glossary():
        assert main(["words", entry.word]) == CLEAN
        (line,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("Source: ")]
        assert (FROM_MEMORY in line) is (entry.source not in NO_SOURCE), entry.word


def explained(word: str) -> bool:
    try:
        meaning_of(word)
    except CallError:
        return False
    return True


def test_the_command_says_meaning_and_source(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["words", "ICC"]) == CLEAN
    told = capsys.readouterr().out
    assert told.startswith("ICC (also: ")
    assert "Shrout & Fleiss (1979)" in told
    assert FROM_MEMORY in told
    assert main(["words", "limits", "of", "agreement"]) == CLEAN
    assert main(["words"]) == CLEAN
    assert "Kenward–Roger" in capsys.readouterr().out
    assert main(["words", "icq"]) == CALLED_WRONGLY
    assert "Did you mean ICC" in capsys.readouterr().err
