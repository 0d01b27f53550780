"""The reference fits through the labelled front door: frames, formulas, random terms, and names as R writes them."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.modelling import MixedFit, Varies, fit_mixed

REFERENCE = Path(__file__).parents[1] / "reference"


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "data" / f"{name}.csv")


@cache
def expected(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((REFERENCE / "expected" / f"{name}.json").read_text())
    return content


def in_r(name: str) -> str:
    """A coefficient's name as R writes it: treatmentBtheB for treatment[T.BtheB]."""
    plain = re.sub(r"C\((\w+)\)", lambda found: RENAMED.get(found.group(1), found.group(1)), name)
    return "(Intercept)" if name == "Intercept" else re.sub(r"\[T\.(.*?)\]", r"\1", plain)


RENAMED = {"visit": "visitf", "week": "wk"}


@dataclass(frozen=True)
class Labelled:
    """One model of the reference set.

    Attributes:
        file, key: where its expected values are; data: of which table.
        terms: R's names of the random terms, in the order of `random`.
    """

    file: str
    key: str
    data: str
    outcome: str
    fixed: str
    random: tuple[Varies, ...]
    categories: dict[str, list[str]] = field(default_factory=dict)

    def frame(self) -> pd.DataFrame:
        frame = trial(means=self.key[0] not in "FG") if self.data == "rom_trial_dev" else table(self.data)
        if self.data == "Orthodont":
            frame["agec"] = frame["age"] - 11
        for name, levels in self.categories.items():
            frame[name] = pd.Categorical(frame[name].astype(str), levels)
        return frame

    @property
    def wanted(self) -> dict[str, Any]:
        found: dict[str, Any] = expected(self.file)[self.key]
        return found

    def fit(self, method: str = "reml") -> MixedFit:
        return fit_mixed(self.frame(), outcome=self.outcome, fixed=self.fixed, random=self.random, method=method)


def trial(*, means: bool) -> pd.DataFrame:
    """The simulated range-of-motion trial, by trial or averaged over the trials of a rater."""
    frame = table("rom_trial_dev")
    if means:
        keys = ["pid", "arm", "dose_min_per_week", "limb", "week", "rater"]
        frame = frame.groupby(keys, as_index=False)["rom_deg"].mean()
    for week in (4, 8, 12):
        for arm in ("mid", "high"):
            frame[f"{arm}_w{week}"] = ((frame["week"] == week) & (frame["arm"] == arm)).astype(float)
        frame[f"dose_w{week}"] = frame["dose_min_per_week"] * (frame["week"] == week)
    return frame.assign(wkn=frame["week"] / 12, dose_post=frame["dose_min_per_week"] * frame["week"] / 12)


_CLDA = "C(week) + mid_w4 + high_w4 + mid_w8 + high_w8 + mid_w12 + high_w12"
_TRIAL = (Varies("pid"), Varies("pid", "limb"), Varies("rater"))
_SESSION = (*_TRIAL, Varies("pid", "limb", "week"))
_ROM = "rom_trial_dev_fits"
_SEX = {"Sex": ["Male", "Female"]}
_CAKE = {"temperature": ["175", "185", "195", "205", "215", "225"], "recipe": ["A", "B", "C"]}
_ARMS = {"treatment": ["TAU", "BtheB"]}
_LENGTH = "bdi_pre + treatment*C(visit) + drug + length"


def _rom(key: str, fixed: str, random: tuple[Varies, ...]) -> Labelled:
    return Labelled(_ROM, key, "rom_trial_dev", "rom_deg", fixed, random)


def _machines(data: str, key: str, *random: Varies) -> Labelled:
    return Labelled(f"lmm_{data.lower()}", key, data, "score", "Machine", random)


_WORKER = (Varies("Worker", "Machine"), Varies("Worker"))

CASES = {
    "sleep": Labelled(
        "lmm_sleepstudy",
        "random_intercept_slope",
        "sleepstudy",
        "Reaction",
        "Days",
        (Varies("Subject", slope="Days"),),
    ),
    "sleep uncorrelated": Labelled(
        "lmm_sleepstudy",
        "uncorrelated",
        "sleepstudy",
        "Reaction",
        "Days",
        (Varies("Subject", slope="Days", correlated=False),),
    ),
    "sleep intercept": Labelled(
        "lmm_sleepstudy", "random_intercept", "sleepstudy", "Reaction", "Days", (Varies("Subject"),)
    ),
    "penicillin": Labelled(
        "lmm_penicillin_crossed", "crossed", "Penicillin", "diameter", "1", (Varies("plate"), Varies("sample"))
    ),
    "pastes": Labelled(
        "lmm_pastes_nested", "nested", "Pastes", "strength", "1", (Varies("cask", "batch"), Varies("batch"))
    ),
    "dyestuff": Labelled("lmm_dyestuff", "oneway", "Dyestuff", "Yield", "1", (Varies("Batch"),)),
    "machines": _machines("Machines", "worker_and_interaction", *_WORKER),
    "machines unstructured": _machines(
        "Machines", "unstructured_worker", Varies("Worker", slope="Machine", intercept=False)
    ),
    "machines unbalanced": _machines("Machines_unbalanced", "worker_and_interaction", *_WORKER),
    "cake": Labelled(
        "lmm_cake_splitplot",
        "factorial",
        "cake",
        "angle",
        "recipe*temperature",
        (Varies("recipe", "replicate"),),
        _CAKE,
    ),
    "cake line": Labelled(
        "lmm_cake_splitplot", "linear_temp", "cake", "angle", "recipe + temp", (Varies("recipe", "replicate"),), _CAKE
    ),
    "orthodont": Labelled(
        "lmm_orthodont",
        "random_slope",
        "Orthodont",
        "distance",
        "agec*Sex",
        (Varies("Subject", slope="agec"),),
        _SEX,
    ),
    "orthodont intercept": Labelled(
        "lmm_orthodont", "random_intercept", "Orthodont", "distance", "age*Sex", (Varies("Subject"),), _SEX
    ),
    "bodyweight": Labelled(
        "lmm_bodyweight",
        "random_slope",
        "BodyWeight",
        "weight",
        "Time*Diet",
        (Varies("Rat", slope="Time"),),
        {"Diet": ["1", "2", "3"]},
    ),
    "depression": Labelled(
        "trial_BtheB",
        "lmm_random_intercept_HSAUR_model",
        "BtheB_long_complete_rows",
        "bdi",
        "bdi_pre + visit + treatment + drug + length",
        (Varies("id"),),
        _ARMS,
    ),
    "depression by visit": Labelled(
        "trial_BtheB",
        "lmm_random_intercept_visit_factor",
        "BtheB_long_complete_rows",
        "bdi",
        _LENGTH,
        (Varies("id"),),
        _ARMS,
    ),
    "depression common baseline": Labelled(
        "trial_BtheB_cLDA",
        "lmm_random_intercept",
        "BtheB_clda_long",
        "bdi",
        "C(visit) + trt_v2 + trt_v3 + trt_v5 + trt_v8",
        (Varies("id"),),
    ),
    "motion A": _rom("A_cLDA_trial_means", _CLDA, _TRIAL),
    "motion B": _rom("B_cLDA_trial_means_with_limb_session", _CLDA, _SESSION),
    "motion C": _rom("C_dose_slope_trial_means", "C(week) + dose_post", _TRIAL),
    "motion D": _rom(
        "D_dose_slope_random_time_slope_trial_means",
        "wkn + dose_post",
        (Varies("pid", slope="wkn"), Varies("pid", "limb"), Varies("rater")),
    ),
    "motion E": _rom("E_dose_by_visit_trial_means", "C(week) + dose_w4 + dose_w8 + dose_w12", _TRIAL),
    "motion F": _rom("F_cLDA_trial_level_with_limb_session", _CLDA, _SESSION),
    "motion G": _rom("G_dose_slope_trial_level_with_limb_session", "C(week) + dose_post", _SESSION),
}
