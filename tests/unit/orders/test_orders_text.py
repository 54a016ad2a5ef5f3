from __future__ import annotations

import re

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.orders.reading import yaml_text as orders_text
from midwatch.orders.reading.yaml_text import TextError, read_tree


@pytest.fixture(scope="module", autouse=True, params=["CSafeLoader", "SafeLoader"])
def parser(request):
    """Both parsers of PyYAML: the compiled one is not in every build."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(orders_text, "_Loader", getattr(yaml, request.param))
        yield


def test_plain_scalars_follow_the_core_schema_of_yaml_1_2():
    # YAML 1.2.2 section 10.3.2; the last six are traps of YAML 1.1 that must stay text.
    text = """
    whole: -12
    number: 1.5e3
    word: true
    none: ~
    quoted: "12"
    switch: on
    norway: no
    clock: 5:35:17.3
    minus: -5:23:28
    date: 2027-03-10
    underscore: 1_000
    """
    assert read_tree(text).plain() == {
        "whole": -12, "number": 1500.0, "word": True, "none": None, "quoted": "12",
        "switch": "on", "norway": "no", "clock": "5:35:17.3", "minus": "-5:23:28",
        "date": "2027-03-10", "underscore": "1_000",
    }  # fmt: skip


def test_places_are_those_of_keys_and_items():
    tree = read_tree("a: 1\nb:\n  - c: 2\n  - c: 3\n    d: [4, 5]\n")
    assert tree.place(("b",)) == (2, 1)
    assert tree.place(("b", 1, "d")) == (5, 5)
    assert tree.place(("b", 1, "d", 1)) == (5, 12)
    assert tree.place(("b", 1, "missing")) == (4, 5)
    assert [path for path, _ in tree.each("b", "*", "c")] == [("b", 0, "c"), ("b", 1, "c")]


@pytest.mark.parametrize(
    ("text", "line", "message", "hint"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, "twice, first in line 1", "keep one"),
        ("a:\n\tb: 1\n", 2, "a tab", "spaces"),
        ("a: 1\nb: c: d\n", 2, "a second ': '", "quotes"),
        ("a: 1\nb: [1, 2\nc: 3\n", 2, "not closed", "close it"),
        ('a: 1\nb: "2\nc: 3\n', 2, "not closed", "close it"),
        ("", 1, "empty", "write the keys"),
        ("# nothing but a comment\n", 1, "empty", "write the keys"),
        ("a: 1\n---\nb: 2\n", 2, "second document", "one document"),
        ("a: !!python/name:os.system x\n", 1, "a YAML tag", "plain value"),
        ("a: 1\nb: *x\n", 2, "*x is not defined", "&x"),
        ("a: &x [*x]\n", 1, "*x is not defined", "&x"),
        ("? [1, 2]\n: 3\n", 1, "a key that is not a word", "key: value"),
        ("a: 1\nb: 1e999\n", 2, "too large", "smaller"),
        ("a: 1\nb: \x01\n", 2, "do not hold", "UTF-8"),
    ],
)
def test_unusable_text_is_shown_with_its_line(text, line, message, hint):
    with pytest.raises(TextError) as caught:
        read_tree(text)
    assert caught.value.line == line
    assert message in caught.value.message
    assert hint in caught.value.hint


def test_an_alias_repeats_a_value_and_keeps_its_place():
    tree = read_tree("a: &x [1, 2]\nb: *x\n")
    assert tree.plain() == {"a": [1, 2], "b": [1, 2]}


def test_aliases_cannot_blow_up_memory():
    lines = ["a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 12)]
    with pytest.raises(TextError, match="more than 20000 values"):
        read_tree("\n".join(lines))


@pytest.mark.parametrize("text", ["[" * 5000, "- " * 5000 + "x", "a: " + "{b: " * 5000])
def test_depth_cannot_blow_up_the_stack(text):
    with pytest.raises(TextError):
        read_tree(text)


def _same_in_both(text: str) -> bool:
    """Whether text stays text: 0E0 is written plain by YAML 1.1, and a number in YAML 1.2."""
    return not re.fullmatch(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", text)


TEXTS = st.text(max_size=8).filter(_same_in_both)
SCALARS = st.none() | st.booleans() | st.integers(-(10**9), 10**9) | TEXTS
DATA = st.dictionaries(
    st.text(min_size=1, max_size=6).filter(_same_in_both),
    st.recursive(SCALARS, lambda inner: st.lists(inner, max_size=3), max_leaves=6),
    min_size=1,
    max_size=4,
)


@settings(max_examples=60, deadline=None)
@given(DATA)
def test_what_pyyaml_writes_is_read_back(data):
    # PyYAML's own writer is the independent half of this check.
    assert read_tree(yaml.safe_dump(data)).plain() == data
