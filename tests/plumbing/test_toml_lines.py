"""On which line a key of a TOML text stands, whatever strings, lists and tables are around it."""

from __future__ import annotations

import json
import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from capture.plumbing.toml_lines import TomlLines

_KEYS = st.text(alphabet='ab #."', max_size=3)
VALUES = st.recursive(
    st.integers() | st.booleans() | st.text(alphabet="ab#\"'[]{}=,. \n\\", max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEYS, inner, max_size=3),
    max_leaves=12,
)


def test_the_line_of_every_key_of_a_toml_text_is_known() -> None:
    text = (
        '# c\na.b = 1.5 # x = 2\n[t]\nn = """x\ny = [ "\n""" \n[[p]]\nr = [\n "# ]",\n 3]\n'
        "[[p.q]]\nm = { \"x y\" = [1, 2] }\n[[p]]\n'n' = 'x#'\n"
    )
    lines = TomlLines(text)
    spans = {
        ("a", "b"): (2, 2), ("t",): (3, 3), ("t", "n"): (4, 6), ("p", 0, "r"): (8, 10), ("p", 0, "r", 1): (10, 10),
        ("p", 0, "q", 0, "m", "x y", 1): (12, 12), ("p", 1): (13, 13), ("p", 1, "n"): (14, 14),
    }  # fmt: skip
    assert {way: lines.span(way) for way in spans} == spans
    assert lines.line(("p", 1, "missing", 3)) == 13 and lines.line(("nowhere",)) is None


@settings(max_examples=60)
@given(VALUES)
def test_a_key_is_found_on_its_line_whatever_the_values_hold(value: object) -> None:
    """What tomllib reads of the lines from a key's first to its last is that key."""

    def written(value: object) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{json.dumps(key)} = {written(one)}" for key, one in value.items()) + "}"
        if isinstance(value, list):
            return "[" + ",\n".join(written(one) for one in value) + "]"
        return json.dumps(value)

    text = f"first = {written(value)}\nnext = 7\n"
    assert tomllib.loads(text) == {"first": value, "next": 7}
    assert TomlLines(text).span(("first",)) == (1, text.count("\n") - 1)
    assert TomlLines(text).line(("next",)) == text.count("\n")
