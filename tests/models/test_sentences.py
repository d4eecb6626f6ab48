"""What a fit says in words and shows on a page."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from perfkit.models.fit_html import TERMS, by_family, fit_html, frame_html, list_html, terms_of
from perfkit.models.sentences import filled, gain_sentence


@pytest.mark.parametrize(
    ("variable", "elasticity", "step", "said"),
    [
        ("arithmetic rate", 0.0, 10.0, "10 % higher arithmetic rate, 0 % more FPS"),
        ("processor speed", 1.0, 50.0, "50 % higher processor speed, 50 % more FPS"),
        ("bandwidth", 2.0, 10.0, "10 % more bandwidth, 21 % more FPS"),
        ("bandwidth", 0.50681, 10.0, "10 % more bandwidth, 4.9 % more FPS"),  # 4.949
        ("bandwidth", 0.50741, 10.0, "10 % more bandwidth, 5 % more FPS"),  # 4.955
        ("pixels drawn", -1.0, 25.0, "25 % more pixels drawn, 20 % less FPS"),
    ],
)
def test_a_step_in_one_variable_in_words(variable, elasticity, step, said):
    assert gain_sentence(variable, elasticity, step) == said


def test_sentences_are_filled_row_by_row():
    found = filled("{a} of {b}", pd.Index([4, 2]), a=[1, 2], b=["x", "y"])
    assert found.to_dict() == {4: "1 of x", 2: "2 of y"}


def test_a_table_has_its_caption_and_no_markup_of_others():
    frame = pd.DataFrame({"workload": ["<b>"], "error": [np.nan], "bias": [1.23456]})
    page = frame_html(frame, "a & b")
    head = '<table class="dataframe"><caption>a &amp; b</caption>\n'
    assert page.startswith(head)
    assert page.count("<caption>") == 1
    for cell in ("<td>&lt;b&gt;</td>", "<td>not known</td>", "<td>1.23</td>"):
        assert cell in page
    assert "<th>0</th>" not in page
    assert "border" not in page


def test_lists_are_shown_where_they_hold_something():
    assert list_html("x", ()) == ""
    assert (
        list_html("<x>", ["a", "<b>"]) == "<h4>&lt;x&gt;</h4><ul><li>a</li><li>&lt;b&gt;</li></ul>"
    )


def test_a_page_part_joins_what_is_not_empty():
    frame = pd.DataFrame({"a": [1]})
    page = fit_html("<h>", (("one", frame), ("none", frame.iloc[:0])), (("two", ["x"]), ("no", ())))
    assert page.startswith("<section><h3>&lt;h&gt;</h3><table")
    assert page.endswith("</table><h4>two</h4><ul><li>x</li></ul></section>")
    assert "none" not in page


def test_errors_stand_a_row_a_workload_and_a_column_a_family_in_their_order():
    errors = pd.DataFrame(
        {
            "family": ["z", "a", "z"],
            "workload": ["w", "w", "v"],
            "median_abs_pct": [1.0, 2.0, 3.0],
            "bias_pct": [-1.0, -2.0, -3.0],
        }
    )
    error, bias = by_family(errors)
    assert list(error) == list(bias) == ["workload", "z", "a"]
    assert error["workload"].tolist() == ["w", "v"]
    np.testing.assert_array_equal(error[["z", "a"]], [[1.0, 2.0], [3.0, np.nan]])
    np.testing.assert_array_equal(bias[["z", "a"]], [[-1.0, -2.0], [-3.0, np.nan]])


def test_terms_are_those_of_families_that_have_some():
    def family(*terms):
        table = pd.DataFrame({"term": list(terms)}).assign(
            workload="", estimate=1.0, std_error=0.1, sentence="s"
        )
        return SimpleNamespace(terms=lambda: table)

    def trained(*fitted):
        names = [SimpleNamespace(name=f"f{k}") for k in range(len(fitted))]
        return SimpleNamespace(recipe=SimpleNamespace(families=names), fitted=fitted)

    found = terms_of(trained(family("a", "b"), family(), family("c")))
    assert list(found) == TERMS
    assert found["family"].tolist() == ["f0", "f0", "f2"]
    assert found["term"].tolist() == ["a", "b", "c"]
    assert found.index.tolist() == [0, 1, 2]
    for nothing in (terms_of(None), terms_of(trained(family()))):
        assert list(nothing) == TERMS
        assert len(nothing) == 0
