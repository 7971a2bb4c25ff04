"""The topics below `strokelog/v1`, and names made safe as one level of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final
from urllib.parse import unquote

ROOT: Final = "strokelog/v1"
#: Where boards tell of needs, beside what benches say.
ALERTS: Final = "strokelog-alerts/v1"

#: All that a bench publishes, and where below its name: `+` stands for a pack's. Boards, collectors and a broker's
#: rules are made from this list, so that none of them can lack one.
KINDS: Final[Mapping[str, str]] = {
    "gauge": "gauge",
    "status": "status",
    "stroke": "+/stroke",
    "unit": "unit",
    "verdict": "+/verdict",
}

_LONGEST_LEVEL: Final = 1000  # an MQTT topic holds 65 535 bytes; a name near that is a mistake


def topic_level(name: str) -> str:
    """Return `name` as one MQTT topic level: percent-encoded where MQTT or this topic tree gives a meaning.

    Raises ValueError for a name that is empty, too long, or not valid Unicode.
    """
    if not name:
        raise ValueError("an empty name cannot be part of an MQTT topic; give the bench and each pack a name")
    if name == "status":  # the tree's own word: encode one letter of it
        return "%73tatus"
    level = "".join(_escape(character) for character in name)
    if len(level.encode()) > _LONGEST_LEVEL:
        raise ValueError(f"the name {name[:40]!r}... is too long for an MQTT topic; use a shorter one")
    return level


def _escape(character: str) -> str:
    code = ord(character)
    control = code < 0x20 or 0x7F <= code < 0xA0
    noncharacter = code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF
    if character in "%/+#" or control or noncharacter:  # MQTT 3.1.1, sections 1.5.3 and 4.7
        return "".join(f"%{byte:02X}" for byte in character.encode())
    return character


def name_from_level(level: str) -> str:
    """Return the name that `topic_level` made `level` from."""
    return unquote(level, errors="strict")


def _topic(kind: str, bench: str, *pack: str) -> str:
    levels = [topic_level(pack[0]) if level == "+" else level for level in KINDS[kind].split("/")]
    return "/".join((ROOT, topic_level(bench), *levels))


def alert_topic(bench: str) -> str:
    """Return the topic at which a board tells of a bench's needs."""
    return f"{ALERTS}/{topic_level(bench)}"


def anchor_topic(bench: str, of_stock: bool = False) -> str:
    """Return the topic of the retained anchor of a bench's record, or of the stock it uses, at a broker that is not the
    benches' own."""
    return f"{ROOT}/{topic_level(bench)}/{'stock-anchor' if of_stock else 'anchor'}"


def status_topic(bench: str) -> str:
    """Return the topic of a bench's retained status."""
    return _topic("status", bench)


def gauge_topic(bench: str) -> str:
    """Return the topic of the checks of a bench's gauge."""
    return _topic("gauge", bench)


def unit_topic(bench: str) -> str:
    """Return the topic of the retained word on a bench's unit."""
    return _topic("unit", bench)


def stroke_topic(bench: str, pack: str) -> str:
    """Return the topic of the strokes of one pack."""
    return _topic("stroke", bench, pack)


def verdict_topic(bench: str, pack: str) -> str:
    """Return the topic of the retained verdict of one pack."""
    return _topic("verdict", bench, pack)


def topic_filters(bench: str = "+", *, root: str = ROOT) -> tuple[str, ...]:
    """Return the filters of all that benches publish, or one of them, given as a topic's level."""
    return tuple(f"{root}/{bench}/{levels}" for levels in KINDS.values())
