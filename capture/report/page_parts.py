"""The parts of a report as plain data: what the page prints, top to bottom. Nothing is worked out here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from capture.report.drawing import Use
from capture.report.finishing import Finishing, Note
from capture.report.measurement import StudyPart


@dataclass(frozen=True, slots=True)
class StrokePart:
    """One stroke: its picture (none without readings), its travel, and what it is used for."""

    n: int
    use: Use
    mark: str
    picture: str
    travel: str
    remarks: str


@dataclass(frozen=True, slots=True)
class CheckPart:
    """One check of a pack, or something that happened to the pack between two (then `strokes` is empty)."""

    pack: str
    number: int
    word: str
    shape: str
    result: str
    """Mean and expanded uncertainty, with the unit; empty without a verdict."""
    basis: str
    """What the result rests on: coverage, factor, strokes, probability."""
    budget: str
    """The standard uncertainties that it is made of."""
    range_text: str
    range_picture: str
    strokes: tuple[StrokePart, ...]
    columns: int
    """How many strokes stand beside each other on paper."""
    notes: tuple[Note, ...]
    made: str
    """When, with which indicator, by which software, from which recording."""


@dataclass(frozen=True, slots=True)
class PackPart:
    """A pack: its line in the summary, and what happened to it, checks and changes in order."""

    name: str
    word: str
    shape: str
    result: str
    range_text: str
    stands: str
    changed: str
    events: tuple[CheckPart | Note, ...]


@dataclass(frozen=True, slots=True)
class RecordingPart:
    """A recording, so that it can be found and proven later."""

    pack: str
    number: int
    name: str
    size: str
    sha256: str


@dataclass(frozen=True, slots=True)
class PhotoPart:
    """A photo: the picture as a `data:` address, empty where it cannot be shown, and what is said of it."""

    shown: str
    said: Note


@dataclass(frozen=True, slots=True)
class Contents:
    """Everything that is printed, top to bottom."""

    title: str
    unit: str
    proven: bool
    proof: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    packs: tuple[PackPart, ...]
    finishing: Finishing
    notes: tuple[Note, ...]
    """What must be noticed first: what could not be worked out, and what had to be acknowledged to sign."""
    studies: tuple[StudyPart, ...]
    """What the measurement itself was found to scatter by."""
    recordings: tuple[RecordingPart, ...]
    photos: tuple[PhotoPart, ...]
    head: str
    newest: datetime
    paper: str
    """The paper of the place: Letter where lengths are inches, else A4."""
