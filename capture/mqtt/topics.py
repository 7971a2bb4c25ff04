"""The topics below `strokelog/v1`, and names made safe as one level of them."""

from __future__ import annotations

from typing import Final
from urllib.parse import unquote

__all__ = ["ROOT", "name_from_level", "status_topic", "stroke_topic", "topic_level", "unit_topic", "verdict_topic"]

ROOT: Final = "strokelog/v1"


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


def status_topic(bench: str) -> str:
    """Return the topic of a bench's retained status."""
    return f"{ROOT}/{topic_level(bench)}/status"


def unit_topic(bench: str) -> str:
    """Return the topic of the retained word on a bench's unit."""
    return f"{ROOT}/{topic_level(bench)}/unit"


def stroke_topic(bench: str, pack: str) -> str:
    """Return the topic of the strokes of one pack."""
    return f"{ROOT}/{topic_level(bench)}/{topic_level(pack)}/stroke"


def verdict_topic(bench: str, pack: str) -> str:
    """Return the topic of the retained verdict of one pack."""
    return f"{ROOT}/{topic_level(bench)}/{topic_level(pack)}/verdict"
