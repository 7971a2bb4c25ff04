"""One word for one thing, everywhere: the words that gave way to another are not used again."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
#: Where one word has another meaning, or stands for what an earlier version wrote. Paths from the root.
ELSEWHERE = {
    "stale": {"capture/mqtt/messages.py"},
    "piece": {"capture/clearance/gauge/"},  # a block, shim or feeler that the shop measures its gauge with
}
#: What gave way, by the name it is known by here, and what stands in its place.
RETIRED = {
    "stale": (r"\bstale\b", "recheck in a code, re-check needed in words"),
    "piece": (r"\bpieces?\b", "part, for what is fitted or on the shelf"),
    "stand against it": (r"[\d}] stands? against\b", "items open"),
    "vouch": (r"\bvouch", "calibration overdue: readings not assured"),
    "no trace": (r"\bleaves? no trace\b", "entries removed from the end cannot be seen"),
    "ended without one": (r"\bended without one\b", "checks without a verdict"),
    "ends with a number": (r"\b[Ee]nds with \d", "exit code 1"),
    "star": (r"\bstar (pattern|order|sequence)\b|\"star\"", "crosswise"),
    "closed valve": (
        r"\bvalve (is|was|stays|must be|has) closed\b|\bclos(e|es|ed|ing) the valve\b",
        "the valve is shut; a normally closed valve is the trade's name of one",
    ),
    "wire form of a setting": (r"--wire-form|wire_form\b", "--driver and driver"),
    "way of a button": (r"--way (press|hold)|\bway = \"(press|hold)\"", "--button and button"),
    "a tail": (r"\btail cut off\b", "entries removed from the end"),
}
#: Check values of the trade stand in tests alone; what the product shows are figures of its own scenario.
CHECK_VALUES = re.compile(
    r"\b(35|52) (lb in|lbf in|in lb|in-lb|inch-pounds)\b|\b0\.(060|095|015|065|050) in\b|\b20 psi\b|\b(60|95|15) thou\b"
)


def told() -> dict[str, str]:
    """What people read and what the product is made of, by path; the tests apart."""
    ends = {".py", ".md", ".toml", ".js", ".html", ".css", ".service", ".timer", ".json", ".conf"}
    files = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    for folder in ("capture", "drivers", "fixtures", "systemd"):
        files += [path for path in (ROOT / folder).rglob("*") if path.suffix in ends and path.is_file()]
    return {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in sorted(files)}


@pytest.mark.parametrize("name", RETIRED)
def test_a_word_that_gave_way_is_not_used_again(name: str) -> None:
    pattern, instead = RETIRED[name]
    found = [
        f"{path}:{text.count(chr(10), 0, match.start()) + 1}"
        for path, text in told().items()
        if not any(path.startswith(place) for place in ELSEWHERE.get(name, ()))
        for match in re.finditer(pattern, text)
    ]
    assert not found, f"{instead}: {found}"


def test_check_values_of_the_trade_stand_in_tests_alone() -> None:
    assert [path for path, text in told().items() if CHECK_VALUES.search(text)] == []


def test_a_wire_form_is_explained_once_to_whoever_hooks_an_indicator_up() -> None:
    pages = {path: text.count("wire form") for path, text in told().items() if path.startswith("capture/guide/")}
    assert {path for path, count in pages.items() if count} == {"capture/guide/hooking-up.md"}
    assert "wire form" not in told()["README.md"]
    assert not any("wire form" in text for path, text in told().items() if path.startswith("systemd/"))
