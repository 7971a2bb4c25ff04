"""A section of a shop's report, and the words that sections share. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from capture.collect.statistics.shop import Model


@dataclass(frozen=True, slots=True)
class ShopSection:
    """A statistic: its heading, what it says in a sentence, its pictures, and what else to know."""

    heading: str
    what: str
    pictures: tuple[str, ...]
    notes: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def of_model(model: Model, pack: str = "") -> str:
    """Return what a number is of, in words."""
    shop = f"{model.shop}: " if model.shop else ""
    revision = f" rev {model.revision}" if model.revision else ""
    return f"{shop}{model.sheet}{revision}{f', {pack}' if pack else ''}"


def micrometres(nm: float) -> str:
    """Return a length as it stands on the report."""
    return f"{nm / 1000:.1f} µm"
