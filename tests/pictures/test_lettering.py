"""Labels are broken to fit and lose nothing."""

from hypothesis import given
from hypothesis import strategies as st

from studykit.pictures.lettering import broken_to_fit, lines_height_mm, text_width_mm

WORDS = st.text(alphabet=st.characters(categories=("L", "N", "P")), min_size=1, max_size=30)


def test_width_grows_with_size_and_weight() -> None:
    assert text_width_mm("degrees", 10.0) == 2 * text_width_mm("degrees", 5.0)
    assert text_width_mm("degrees", 10.0, bold=True) > text_width_mm("degrees", 10.0)


def test_height_is_lines_times_spacing() -> None:
    # 3 lines of 10 points at a spacing of 1.2 are 36 points, half an inch.
    assert abs(lines_height_mm(3, 10.0) - 12.7) < 1e-12  # rounding of one product


@given(words=st.lists(WORDS, min_size=1, max_size=8), width_mm=st.floats(min_value=8.0, max_value=80.0))
def test_every_line_fits_and_no_letter_is_lost(words: list[str], width_mm: float) -> None:
    text = " ".join(words)
    lines = broken_to_fit(text, width_mm, 7.5)
    assert all(text_width_mm(line, 7.5) <= width_mm for line in lines if len(line) > 1)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_line_breaks_are_kept_and_words_that_fit_are_not_cut() -> None:
    assert broken_to_fit("one\ntwo three", 100.0, 7.5) == ["one", "two three"]
    assert broken_to_fit("one two", text_width_mm("one", 7.5) + 0.1, 7.5) == ["one", "two"]
