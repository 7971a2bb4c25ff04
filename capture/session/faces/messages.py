"""What a bench's process and a face say to each other, as lines of JSON; nothing else is taken from either side.

A face says who it is, then what was pressed and scanned. The bench says what there is to show, whole each time, and how
it ended.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from capture.dashboard.showing import Showing
from capture.plumbing.terminal.scanner import Key, LostScan, Scan

#: Bytes of a line with its end. A view with its longest trace has a tenth of it.
LONGEST_FROM_BENCH = 4 << 20
LONGEST_FROM_FACE = 4 << 10


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Hello(_Message):
    """The first that a face says."""

    type: Literal["hello"] = "hello"
    who: str = Field(max_length=80)
    """Who sits there, for others to read: a user and a terminal, or an address."""
    wants_keys: bool = True
    may_arm: bool = True
    """Whether a hand at this face is at the bench: only such may let the air come."""
    unit: str = Field(default="", max_length=200)
    """The unit on the bench, where the command that opened the face named it."""
    technician: str = Field(default="", max_length=200)


class Keyed(_Message):
    """A key was pressed, or a code scanned."""

    type: Literal["key", "scan", "lost scan"]
    text: str = Field(max_length=1000)

    def pressed(self) -> Key | Scan | LostScan:
        """Return it as the keyboard's own."""
        match self.type:
            case "key":
                return Key(self.text)
            case "scan":
                return Scan(self.text)
        return LostScan(self.text)

    @classmethod
    def of(cls, pressed: Key | Scan | LostScan) -> Keyed:
        """Return the message that says it."""
        match pressed:
            case Key(key):
                return cls(type="key", text=key)
            case Scan(text):
                return cls(type="scan", text=text[:1000])
            case LostScan(text):
                return cls(type="lost scan", text=text[:1000])


class Asks(_Message):
    """A face asks for the keys."""

    type: Literal["asks"] = "asks"


class PhotoSent(_Message):
    """A photo lies where the bench looks for one that comes (`photo_files.COMING`): of a pack, or of the unit."""

    type: Literal["photo"] = "photo"
    name: str = Field(max_length=200)
    """What its file was called where it came from."""
    by: str = Field(min_length=1, max_length=200)
    pack: str | None = Field(default=None, max_length=200)


Said = Hello | Keyed | Asks | PhotoSent
FromFace: TypeAdapter[Said] = TypeAdapter(Annotated[Said, Field(discriminator="type")])


@dataclass(frozen=True, slots=True)
class FaceStanding:
    """Where one face stands among those that look."""

    has_keys: bool
    holder: str = ""
    """Who has the keys; empty for nobody."""
    asked_by: str = ""
    """Who asks this face for them."""
    answer_s: int = 0
    """For how long it may still answer."""
    asks: Literal["", "asked", "kept"] = ""
    """What came of this face's asking."""
    stays: bool = False
    """Whether the bench's process goes on after a session: it is a service."""
    pid: int = 0


@dataclass(frozen=True, slots=True)
class Ended:
    """The session is over, and so is its process."""

    code: int
    lines: list[str] = field(default_factory=list)
    """What a person wants to read after the screen is gone."""
    error: str = ""
    """What ended it, where that was no answer."""


@dataclass(frozen=True, slots=True)
class FromBench:
    """What the bench says: what there is to show, or that it ended."""

    showing: Showing | None = None
    place: FaceStanding | None = None
    ended: Ended | None = None


@cache
def from_bench() -> TypeAdapter[FromBench]:
    """Return the form of what the bench says."""
    return TypeAdapter(FromBench)


@cache
def _place() -> TypeAdapter[FaceStanding]:
    return TypeAdapter(FaceStanding)


def shown(showing: bytes, place: FaceStanding) -> bytes:
    """Return the line that shows a bench, which was `encoded` once for all who look."""
    return b'{"showing":' + showing + b',"place":' + _place().dump_json(place) + b"}\n"


def ended(how: Ended) -> bytes:
    """Return the line that says how the bench's process ended."""
    return from_bench().dump_json(FromBench(ended=how)) + b"\n"
