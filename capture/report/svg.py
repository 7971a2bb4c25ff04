"""SVG built as a tree of elements, so that no text can become markup. Coordinates are millimetres on paper."""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

from capture.plumbing.plaintext import clean
from capture.report.typeface import FAMILY

Point = tuple[float, float]
INK, QUIET, BAND, LEVEL = "#111", "#666", "#dedede", "#1d5fa8"


def decimals(value: float) -> str:
    """Return a coordinate as text, no finer than a hundredth."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def blank(width: float, height: float, name: str) -> Element:
    """Return an empty picture of that size in millimetres."""
    box = {"width": f"{decimals(width)}mm", "height": f"{decimals(height)}mm"}
    view = f"0 0 {decimals(width)} {decimals(height)}"
    return Element("svg", box | {"viewBox": view, "role": "img", "aria-label": clean(name)})


def add(parent: Element, tag: str, **values: float | str) -> Element:
    """Add an element."""
    told = {key.rstrip("_").replace("_", "-"): v if isinstance(v, str) else decimals(v) for key, v in values.items()}
    return SubElement(parent, tag, told)


def line(parent: Element, a: Point, b: Point, ink: str = INK, width: float = 0.2, dash: str = "none") -> None:
    """Add a line."""
    add(parent, "line", x1=a[0], y1=a[1], x2=b[0], y2=b[1], stroke=ink, stroke_width=width, stroke_dasharray=dash)


def path(parent: Element, points: Sequence[Point], ink: str, width: float, dash: str = "none") -> None:
    """Add a line through several points."""
    told = " ".join(f"{decimals(x)},{decimals(y)}" for x, y in points)
    add(
        parent, "polyline", points=told, fill="none", stroke=ink, stroke_width=width, stroke_dasharray=dash,
        stroke_linejoin="round",
    )  # fmt: skip


def area(parent: Element, points: Sequence[Point], ink: str) -> None:
    """Add a filled shape."""
    add(parent, "polygon", points=" ".join(f"{decimals(x)},{decimals(y)}" for x, y in points), fill=ink)


def say_at(
    parent: Element, text: str, at: Point, size: float = 1.9, anchor: str = "start", ink: str = INK, bold: bool = False
) -> None:
    """Add text."""
    weight = "bold" if bold else "normal"
    add(
        parent, "text", x=at[0], y=at[1], font_size=size, text_anchor=anchor, fill=ink, font_weight=weight,
        font_family=FAMILY,
    ).text = clean(text)  # fmt: skip


def markup_of(svg: Element) -> str:
    """Return the picture as markup."""
    return tostring(svg, encoding="unicode")
