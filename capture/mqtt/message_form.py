"""The form that every message has on the wire: what all of them say, which numbers are possible, and how one is read.

A producer may not add fields and says only words that its schema lists; whoever reads ignores fields that it does not
know, and takes a flag of a later version as it comes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal, Self
from uuid import UUID, uuid4

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    FiniteFloat,
    ValidationInfo,
)
from pydantic.fields import FieldInfo

from capture.mqtt.heads import HeadTold
from capture.strokes.stroke import FLAGS

_WIRE: Final = "wire"


def _in_utc(at: datetime) -> datetime:
    return at.astimezone(UTC)


def _infinite_as_none(dof: object) -> object:
    return None if isinstance(dof, float) and math.isinf(dof) else dof


At = Annotated[AwareDatetime, AfterValidator(_in_utc)]
Dof = Annotated[
    Annotated[FiniteFloat, Field(ge=0)] | None,
    BeforeValidator(_infinite_as_none),
    Field(description="Degrees of freedom; null stands for infinitely many."),
]
#: Whole numbers: how many, and which one, counted from 1.
Count = Annotated[int, Field(ge=0)]
Ordinal = Annotated[int, Field(ge=1)]
Positive = Annotated[FiniteFloat, Field(ge=0)]
Probability = Annotated[FiniteFloat, Field(ge=0, le=1)]
GaugeWord = Literal["", "not checked", "in order", "not shown", "out", "out of control"]


def is_from_wire(info: ValidationInfo) -> bool:
    """Say whether a value comes from the wire, perhaps from a later version, and not from a producer here."""
    return bool(info.context == _WIRE)


def _known_flag(flag: str, info: ValidationInfo) -> str:
    if flag not in FLAGS and not is_from_wire(info):
        raise ValueError(f"expected one of {', '.join(FLAGS)}")
    return flag


#: A flag of a stroke. One that a later version adds is read as it comes: a stroke is not lost for a word.
Flag = Annotated[str, AfterValidator(_known_flag), Field(json_schema_extra={"enum": list(FLAGS)})]


class Strict(BaseModel):
    """Refuses unknown fields from a producer; `Message.from_wire` drops them."""

    model_config = ConfigDict(frozen=True, extra="forbid", from_attributes=True)


def _with_first_fields(schema: dict[str, Any]) -> None:
    schema["required"] = ["schema_version", "id", *schema["required"]]


class Message(Strict):
    """What every message says: which it is, when, and of which bench."""

    # What every version tells is required of a payload, whether or not a producer leaves it to the default.
    model_config = ConfigDict(json_schema_extra=_with_first_fields)

    schema_version: Literal[1] = 1
    id: UUID = Field(default_factory=uuid4, description="The same when a message is delivered twice.")
    at: At = Field(description="When it happened, RFC 3339 in UTC.")
    bench: str

    @classmethod
    def from_wire(cls, payload: str | bytes) -> Self:
        """Return the message in `payload`, ignoring fields this version does not know.

        Raises pydantic.ValidationError if it is no such message.
        """
        return cls.model_validate_json(payload, context=_WIRE, extra="ignore")

    @classmethod
    def with_unknown(cls, payload: str | bytes) -> Self:
        """Return the same, with the fields this version does not know as its `model_extra`. Raises alike."""
        return cls.model_validate_json(payload, context=_WIRE, extra="allow")

    @classmethod
    def from_columns(cls, columns: Mapping[str, Any]) -> Self:
        """Return the message that a row keeps; a column that came later and is empty counts as untold.

        Raises pydantic.ValidationError if it is no such message.
        """
        fields = cls.model_fields.items()
        told = {name: columns[name] for name, one in fields if name in columns and _is_told(columns[name], one)}
        return cls.model_validate(told, context=_WIRE)


def _is_told(value: object, field: FieldInfo) -> bool:
    return value is not None or field.is_required()


class UnderHead(Message):
    """A message that carries the head of the bench's record it was written under, so that the record cannot be changed
    without that being seen by whoever keeps messages."""

    head_number: int | None = Field(
        default=None, ge=0, description="The newest entry of the bench's record when this was written; null if unknown."
    )
    head_sha256: str = Field(default="", pattern="^([0-9a-f]{64})?$", description="That entry's hash.")

    def head(self) -> HeadTold | None:
        """Return that head, None where an earlier version did not tell it."""
        if self.head_number is None or not self.head_sha256:
            return None
        return HeadTold(self.head_number, self.head_sha256, self.at)
