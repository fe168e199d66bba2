import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.errors import JournalError
from trialkit.journal.canonical import canonical_json
from trialkit.journal.kinds import Kind

values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=10,
)


@given(values)
@settings(max_examples=200, derandomize=True)
def test_reading_back_and_writing_again_changes_nothing(value):
    text = canonical_json(value)
    assert json.loads(text) == value
    assert canonical_json(json.loads(text)) == text
    text.encode("utf-8")


@given(st.dictionaries(st.text(), st.integers(), max_size=6))
@settings(max_examples=100, derandomize=True)
def test_the_order_of_keys_does_not_matter(value):
    assert canonical_json(dict(reversed(value.items()))) == canonical_json(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ({"b": 1, "a": 2, "B": 3, "ä": 4, "a\U0001f600": 5}, '{"B":3,"a":2,"a😀":5,"b":1,"ä":4}'),
        (0.1, "0.1"),
        (1e22, "1e+22"),
        (-0.0, "-0.0"),
        (300.0, "300.0"),
        (300, "300"),
        (2**70, str(2**70)),
        ('tab\t quote" back\\ \x01 ü', '"tab\\t quote\\" back\\\\ \\u0001 ü"'),
        ((1, [2, None]), "[1,[2,null]]"),
        (True, "true"),
        (np.float64(0.5), "0.5"),
        (Kind.RESULT, '"result"'),
    ],
)
def test_the_form_is_fixed(value, text):
    assert canonical_json(value) == text


@pytest.mark.parametrize(
    "value",
    [
        float("nan"),
        float("inf"),
        {"a": [float("-inf")]},
        {1: 2},
        b"x",
        object(),
        "\ud800",
        {"\ud800": 1},
    ],
)
def test_what_cannot_be_written_faithfully_is_refused(value):
    with pytest.raises(JournalError):
        canonical_json(value)


def test_the_refusal_says_where():
    with pytest.raises(JournalError, match=r"value\.a\[1\]"):
        canonical_json({"a": [1, float("nan")]})
