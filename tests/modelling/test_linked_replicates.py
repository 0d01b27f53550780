"""Linked replicates as a mixed model: the pulse oximetry data of Bland & Altman (2007) and Carstensen (2010), by lme4.

Source: data "ox" of MethComp 1.30.2; values by lme4 1.1-31, y ~ method + (1|item) + (1|item:method) + (1|item:repl).
"""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from studykit.modelling import Varies, fit_mixed

REFERENCE = Path(__file__).parent.parent / "reference"


def test_components_of_linked_replicates() -> None:
    text = (REFERENCE / "expected" / "loa_oximetry_repeated.json").read_text(encoding="utf-8")
    expected = json.loads(text)["linked_lmm"]
    frame = pd.read_csv(REFERENCE / "data" / "oximetry_ox.csv")
    item, method, linked = Varies("subject"), Varies("subject", "method"), Varies("subject", "replicate")
    fit = fit_mixed(frame, outcome="y", fixed="method", random=[item, method, linked])
    assert fit.log_likelihood == pytest.approx(expected["logLik_REML"], rel=1e-9)  # as agreed for lme4
    found = fit.coefficients(small_sample="none")["estimate"].to_list()
    assert found == pytest.approx(list(expected["fixef"].values()), rel=1e-7)  # as agreed for lme4
    variances = sorted(fit.variances()["variance"].to_list())
    # variances by lme4's own stopping rule, not polished further for this file: 3e-7 apart
    assert variances == pytest.approx(sorted(term["vcov"] for term in expected["varcomp"]), rel=1e-6)
