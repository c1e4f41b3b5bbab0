"""Where a character of a text stands in its YAML file, whatever the style of the text.

Source of what the styles mean: YAML 1.2.2, sections 6.5, 7.3 and 8.1; the texts are read by PyYAML.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.plant.yaml_source import read_yaml
from collector.rulebook.inside import mark_inside

STYLES = {
    "double quotes": 'a:\n  when: "x.low && Z > 1"\n',
    "single quotes": "a:\n  when: 'x.low && Z > 1'\n",
    "plain": "a:\n  when: x.low && Z > 1\n",
    "flow mapping": 'a: {n: 1, when: "x.low && Z > 1"}\n',
    "double quotes with an escape": 'a:\n  when: "x.\\u006cow \\"q\\" Z > 1"\n',
    "single quotes with a quote": "a:\n  when: 'x == ''q'' && Z > 1'\n",
    "double quotes over lines": 'a:\n  when: "x.low &&\n    y.high\n\n    && Z > 1"\n',
    "an escaped end of line": 'a:\n  when: "x.low && \\\n      Z > 1"\n',
    "plain over lines": "a:\n  when: x.low &&\n    y.high && Z > 1\n",
    "folded": "a:\n  when: >-\n    x.low &&\n    y.high &&\n    Z > 1\n",
    "folded with a blank line": "a:\n  when: >\n    x.low &&\n\n    y.high && Z > 1\n",
    "folded and set in": "a:\n  when: >\n    x.low\n      && y.high\n    && Z > 1\n",
    "literal": "a:\n  when: |\n    x.low &&\n      y.high && Z > 1\n",
    "beyond ASCII": "a:\n  when: \"'ä\U0001f4a7' == x.low && Z > 1\"\n",
}


@pytest.mark.parametrize("style", STYLES)
def test_a_character_is_found_on_its_line_and_column(style: str) -> None:
    """The only Z of the text is the only Z of the file."""
    text = STYLES[style]
    tree = read_yaml(text, "rules.yaml")
    when = tree.data["a"]["when"]
    mark = mark_inside(tree, ("a", "when"), when.index("Z"))
    assert mark is not None
    assert text.split("\n")[mark.line - 1][mark.column - 1] == "Z"
    assert text.count("Z") == 1


@given(st.text(alphabet=st.sampled_from("aZ.'\"\\ \n&#:-ä"), min_size=1, max_size=40))
def test_every_character_of_a_quoted_text_is_found(when: str) -> None:
    """In single quotes each letter of the text stands in the file where it is said to stand."""
    quoted = when.replace("'", "''").replace("\n", "\n\n    ")
    text = f"when: '{quoted}'\n"
    tree = read_yaml(text, "rules.yaml")
    told = tree.data["when"]
    lines = text.split("\n")
    for offset, character in enumerate(told):
        mark = mark_inside(tree, ("when",), offset)
        assert mark is not None
        if character not in " \n":
            assert lines[mark.line - 1][mark.column - 1] == character


def test_one_past_the_end_stands_behind_the_last_character() -> None:
    """An expression that ends too early is marked behind its end."""
    tree = read_yaml('when: "ab"\n', "rules.yaml")
    assert mark_inside(tree, ("when",), 2) == (1, 10)


def test_where_the_text_cannot_be_followed_nothing_is_claimed() -> None:
    """An anchor stands before the text; its begin is all that is known."""
    tree = read_yaml('when: &w "ab"\nother: 1\n', "rules.yaml")
    assert mark_inside(tree, ("when",), 1) is None
    assert mark_inside(tree, ("other",), 0) == (2, 8)
    assert mark_inside(tree, ("nothing",), 0) is None
