"""The ways of measuring by number: the present one's, and the earlier ones as they were, frozen beside this."""

from __future__ import annotations

from typing import Final

#: The way of measuring of this program: what a recording and its sheet give by it, from bytes to verdict. Once it is
#: frozen its numbers never change: whoever changes them gives the new way the next number.
METHOD: Final = 3
#: Of verdicts from before ways of measuring were numbered.
FIRST_METHOD: Final = 1
#: What is frozen: the SHA-256 of `method-NUMBER.zip` beside this (`python -m tests.support.freeze_method` adds one).
FROZEN: Final[dict[int, str]] = {
    1: "71f5be620ae3fb4a87739d829679258bac38580c96a976ea141f791776243e2c",
    2: "4de7ede6738bbcad41fb9fccd44cd3294514248507486a35fde4279756c93bb9",
}
