"""The pieces of code that the guide shows, for tests to run as a reader would."""

from __future__ import annotations

import re
from pathlib import Path

_GUIDE = Path(__file__).parents[2] / "capture" / "guide"


def guide_blocks(page: str, language: str) -> list[str]:
    """Return the pieces of `language` on a page, in their order."""
    text = (_GUIDE / f"{page}.md").read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
