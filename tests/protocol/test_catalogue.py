"""The catalogue: every measure complete, every reference value with its source, published numbers as published."""

from __future__ import annotations

import json
import tomllib
from importlib import resources

import pytest
from pydantic import ValidationError

from studykit.protocol.catalogue import completed_measures, shipped_measures
from studykit.protocol.measure import Measure, ReferenceValue

MUST_EXIST = {
    "ankle_dorsiflexion_lunge_deg",
    "ankle_dorsiflexion_lunge_cm",
    "ankle_dorsiflexion_passive",
    "ankle_plantarflexion",
    "hip_extension_thomas",
    "hip_flexion",
    "hip_internal_rotation",
    "hip_external_rotation",
    "knee_flexion_prone",
    "knee_extension_passive",
    "straight_leg_raise",
    "shoulder_internal_rotation",
    "shoulder_external_rotation",
    "shoulder_flexion",
    "sit_and_reach",
    "half_kneeling_lunge",
}
SOUCIE = "Soucie JM, Wang C, Forsyth A, et al. (2011) Haemophilia 17, 500–507"
JUNG = "Jung H, Yamasaki M (2016) J. Physiol. Anthropol. 35:30, table 3"

# Soucie et al. 2011, ages 2–8, seen: mean and 95 % interval of girls, then of boys, in degrees.
SOUCIE_SEEN = {
    "hip_extension_passive": ((26.2, 23.9, 28.5), (28.3, 27.2, 29.4)),
    "hip_flexion": ((140.8, 139.2, 142.4), (131.1, 129.4, 132.8)),
    "knee_flexion_passive": ((152.6, 151.2, 154.0), (147.8, 146.6, 149.0)),
    "knee_extension_passive": ((5.4, 3.9, 6.9), (1.6, 0.9, 2.3)),
    "ankle_dorsiflexion_passive": ((24.8, 22.5, 27.1), (22.8, 21.3, None)),  # last digit cut off where it was seen
}
# Same source, recalled: women/girls and men/boys aged 9–19, 20–44, 45–69.
SOUCIE_FROM_MEMORY = {
    "hip_extension_passive": (20.5, 18.2, 18.1, 17.4, 16.7, 13.5),
    "ankle_dorsiflexion_passive": (17.3, 16.3, 13.8, 12.7, 11.6, 11.9),
}
# Jung & Yamasaki 2016, table 3, seen: mean and SD of older women, in degrees.
JUNG_SEEN = {
    "hip_flexion": (122.6, 10.8),
    "hip_extension_passive": (16.8, 4.5),
    "knee_flexion_passive": (127.6, 8.3),
    "hip_internal_rotation": (27.9, 6.1),
    "hip_external_rotation": (28.5, 4.9),
    "ankle_dorsiflexion_passive": (17.7, 6.0),
    "ankle_plantarflexion": (58.0, 7.9),
}


def test_the_measures_that_a_study_needs_are_there():
    assert set(shipped_measures()) >= MUST_EXIST


@pytest.mark.parametrize("key", shipped_measures())
def test_every_measure_says_all_that_a_rater_needs(key):
    text = resources.files("studykit.protocol").joinpath("measures.toml").read_text(encoding="utf-8")
    written = tomllib.loads(text)[key]
    fields = set(Measure.model_fields) - {"levels", "reference_values"}
    assert set(written) >= fields  # nothing about a shipped measure is left to a default
    measure = shipped_measures()[key]
    assert Measure.model_validate_json(json.dumps(written), strict=True) == measure  # no text read as a number
    assert measure.zero_and_sign.startswith("0 ")
    assert any("pain" in caution and "licensed clinician" in caution for caution in measure.cautions)
    assert all(caution.endswith(".") for caution in measure.cautions)
    for value in measure.reference_values:
        assert measure.plausible_low < value.mean < measure.plausible_high
        assert value.source


@pytest.mark.parametrize("key", shipped_measures())
def test_a_value_without_a_source_says_so_and_a_source_is_never_called_common_practice(key):
    for value in shipped_measures()[key].reference_values:
        assert (value.seen == "common practice, no source") == (value.source == "common practice, no source")


def values(key: str, source: str, seen: str) -> list[ReferenceValue]:
    return [
        value for value in shipped_measures()[key].reference_values if value.source == source and value.seen == seen
    ]


@pytest.mark.parametrize("key", SOUCIE_SEEN)
def test_values_of_soucie_2011_are_those_that_were_seen(key):
    found = values(key, SOUCIE, "seen at the source")
    assert [value.group for value in found] == ["girls aged 2–8", "boys aged 2–8"]
    assert tuple((value.mean, value.low_95, value.high_95) for value in found) == SOUCIE_SEEN[key]


@pytest.mark.parametrize("key", SOUCIE_FROM_MEMORY)
def test_recalled_values_are_marked_as_recalled(key):
    assert tuple(value.mean for value in values(key, SOUCIE, "from memory")) == SOUCIE_FROM_MEMORY[key]


@pytest.mark.parametrize("key", JUNG_SEEN)
def test_values_of_older_women_are_those_that_were_seen(key):
    (value,) = values(key, JUNG, "seen at the source")
    assert (value.mean, value.sd) == JUNG_SEEN[key]


def test_no_number_claims_to_be_seen_but_those_listed_above():
    claimed = sum(
        value.seen == "seen at the source" for m in shipped_measures().values() for value in m.reference_values
    )
    assert claimed == 2 * len(SOUCIE_SEEN) + len(JUNG_SEEN)


def test_hip_extension_in_the_thomas_position_may_be_negative_and_sit_and_reach_has_no_side():
    assert shipped_measures()["hip_extension_thomas"].plausible_low < 0
    assert [key for key, measure in shipped_measures().items() if not measure.two_sided] == ["sit_and_reach"]


def test_a_graded_measure_runs_over_its_levels():
    lunge = shipped_measures()["half_kneeling_lunge"]
    assert lunge.graded
    assert (lunge.plausible_low, lunge.plausible_high) == (0, len(lunge.levels) - 1)
    assert not shipped_measures()["straight_leg_raise"].graded


def test_an_override_replaces_one_field_and_keeps_the_rest():
    shipped = shipped_measures()["straight_leg_raise"]
    (completed,) = completed_measures({"straight_leg_raise": {"plausible_high": 130.0}}).values()
    assert Measure.model_validate(completed) == shipped.model_copy(update={"plausible_high": 130.0})


def test_another_unit_leaves_out_values_in_the_old_one():
    (completed,) = completed_measures({"hip_flexion": {"unit": "cm"}}).values()
    assert completed["reference_values"] == ()
    (kept,) = completed_measures({"hip_flexion": {"unit": "deg"}}).values()
    assert len(kept["reference_values"]) == 3


def test_the_catalogue_cannot_be_changed_by_a_caller():
    with pytest.raises(TypeError):
        shipped_measures()["new"] = shipped_measures()["hip_flexion"]
    with pytest.raises(ValidationError):
        shipped_measures()["hip_flexion"].plausible_low = -5


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"plausible_low": 200}, "plausible_low (200) must be below plausible_high (150)"),
        ({"unit": "grade"}, "levels belong to a measure whose unit is"),
        ({"levels": ("bad", "good")}, "levels belong to a measure whose unit is"),
        ({"unit": "grade", "levels": ("bad", "good")}, "a graded measure with 2 levels runs from 0 to 1"),
        (
            {"reference_values": ({"group": "g", "mean": 5, "low_95": 6, "source": "s", "seen": "from memory"},)},
            "mean (5)",
        ),
    ],
)
def test_a_measure_that_contradicts_itself_is_refused(change, words):
    entry = {**shipped_measures()["straight_leg_raise"].model_dump(), **change}
    with pytest.raises(ValidationError) as caught:
        Measure.model_validate(entry)
    assert words in str(caught.value)
