"""By which way a person signed: by a name that was typed, or by a key that only that person has. Pure."""

from __future__ import annotations

from typing import Final, Literal

SignedWay = Literal["typed", "PIN", "badge"]
"""A name that was typed is no more than that; a PIN is known, a badge is had."""

SignedAct = Literal["sign-off", "override", "correction", "gauge-check"]
"""What a key can be asked for, as the settings spell it."""

ACT_WORDS: Final[dict[SignedAct, str]] = {
    "sign-off": "the sign-off",
    "override": "an override",
    "correction": "a correction",
    "gauge-check": "a gauge check",
}


def signer_words(by: str, way: SignedWay) -> str:
    """Return who signed, and by which key: "A. Holm (PIN)"; a name that was typed stands alone."""
    return by if way == "typed" else f"{by} ({way})"
