"""Large figures and words out of block characters, to be read from across the bench."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from capture.plumbing.terminal.canvas import Ink

# Bars of a figure: a top, b upper right, c lower right, d bottom, e lower left, f upper left, g middle.
_BARS = {
    "0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd", "6": "afgecd",
    "7": "abc", "8": "abcdefg", "9": "abcdfg", "-": "g", " ": "",
}  # fmt: skip

_LETTERS = {
    "A": ("###", "#.#", "###", "#.#", "#.#"),
    "C": ("###", "#..", "#..", "#..", "###"),
    "D": ("###.", "#..#", "#..#", "#..#", "###."),
    "E": ("###", "#..", "##.", "#..", "###"),
    "G": ("####", "#...", "#.##", "#..#", "####"),
    "H": ("#..#", "#..#", "####", "#..#", "#..#"),
    "I": ("#", "#", "#", "#", "#"),
    "K": ("#..#", "#.#.", "##..", "#.#.", "#..#"),
    "L": ("#..", "#..", "#..", "#..", "###"),
    "N": ("#..#", "##.#", "#.##", "#..#", "#..#"),
    "O": ("###", "#.#", "#.#", "#.#", "###"),
    "S": ("###", "#..", "###", "..#", "###"),
    "T": ("###", ".#.", ".#.", ".#.", ".#."),
    "U": ("#.#", "#.#", "#.#", "#.#", "###"),
    "?": ("###", "..#", ".##", "...", ".#."),
    "V": ("#.#", "#.#", "#.#", "#.#", ".#."),
}


@dataclass(frozen=True, slots=True)
class _Size:
    """A figure in dots. A dot is half a row high where blocks can be drawn, a whole row in ASCII."""

    high: int
    wide: int
    upright: int
    level: int


def dots_to_rows(dots: list[str], ink: Ink) -> list[str]:
    """Turn rows of '#' and '.' into rows of text: two dot rows a text row, or one in ASCII."""
    if ink.ascii_only:
        return [row.replace(".", " ") for row in dots]
    if len(dots) % 2:
        dots = [*dots, "." * len(dots[0])]
    pairs = {"##": "█", "#.": "▀", ".#": "▄", "..": " "}
    return ["".join(pairs[a + b] for a, b in zip(dots[i], dots[i + 1], strict=True)) for i in range(0, len(dots), 2)]


def _sizes(rows: int, ink: Ink) -> list[_Size]:
    """Return the sizes that `rows` text rows hold, largest first."""
    sizes = []
    for tall in range(rows, 1, -1):
        high = tall if ink.ascii_only else tall * 2 - 1
        if high < 5:
            break
        level = 1 if ink.ascii_only or high < 9 else max(1, high // 6)
        for wide in (high, round(high * 0.8), round(high * 0.6)):
            if wide >= 4 and not ink.ascii_only:
                upright = 1 if wide < 5 else max(2, round(wide / 4))
                sizes.append(_Size(high, wide, upright, level))
            elif ink.ascii_only and wide >= 3:
                sizes.append(_Size(high, wide + 1, 2 if wide >= 6 else 1, level))
    return sizes


def _figure(character: str, size: _Size) -> list[str]:
    high, wide, upright, level = size.high, size.wide, size.upright, size.level
    middle = (high - level) // 2
    if character == ".":
        return ["." * upright] * (high - max(level, 1)) + ["#" * upright] * max(level, 1)
    grid = [["."] * wide for _ in range(high)]

    def fill(top: int, bottom: int, left: int, right: int) -> None:
        for y in range(top, bottom):
            for x in range(left, right):
                grid[y][x] = "#"

    if character == "±":
        centre = (wide - upright) // 2
        reach = max(1, high // 3)
        fill(0, 2 * reach, centre, centre + upright)
        fill(reach - level // 2, reach - level // 2 + level, 0, wide)
        fill(high - level, high, 0, wide)
        return ["".join(row) for row in grid]
    for bar in _BARS.get(character, ""):
        if bar in "adg":
            top = {"a": 0, "g": middle, "d": high - level}[bar]
            fill(top, top + level, 0, wide)
        else:
            left = wide - upright if bar in "bc" else 0
            top, bottom = (0, middle + level) if bar in "bf" else (middle, high)
            fill(top, bottom, left, left + upright)
    return ["".join(row) for row in grid]


def number_width(text: str, size: _Size) -> int:
    """Return the cells that `text` fills at `size`."""
    gap = max(1, size.upright // 2)
    return sum(size.upright if c == "." else size.wide for c in text) + gap * (len(text) - 1)


@lru_cache(maxsize=256)
def big_number(text: str, template: str, width: int, rows: int, ink: Ink) -> tuple[str, ...] | None:
    """Return `text` (figures, '.', '-', '±', blanks) as large rows, or None where even the smallest is too large.

    The size is chosen so that `template` fits `width` by `rows`: the size stays when the figures change.
    """
    for size in _sizes(rows, ink):
        if max(number_width(template, size), number_width(text, size)) <= width:
            gap = "." * max(1, size.upright // 2)
            figures = [_figure(c, size) for c in text]
            dots = [gap.join(figure[y] for figure in figures) for y in range(size.high)]
            return tuple(dots_to_rows(dots, ink))
    return None


@lru_cache(maxsize=64)
def big_word(word: str, mark: tuple[str, ...], width: int, rows: int, ink: Ink) -> tuple[str, ...] | None:
    """Return `mark` and `word` in large letters, as large as `width` by `rows` holds; None if none fit."""
    letters = [mark, *(_LETTERS[letter] for letter in word.upper())]
    dots = [".".join(letter[y] for letter in letters) for y in range(5)]
    # The tallest that fits, as wide as that goes: a long word is drawn narrow before it is drawn small.
    for upright in range(6, 0, -1):
        high = 5 * upright
        tall = high if ink.ascii_only else (high + 1) // 2
        across = next((n for n in (upright, upright - 1) if n > 0 and len(dots[0]) * n <= width), 0)
        if across and tall <= rows:
            grown = ["".join(c * across for c in row) for row in dots for _ in range(upright)]
            return tuple(dots_to_rows(grown, ink))
    return None
