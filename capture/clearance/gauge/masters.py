"""The shop's master pieces: gauge blocks, stepped masters, shims and feelers, with what their certificates say. Read
from TOML, checked. Lengths nm."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from capture.plumbing.checked_file import FileKind, TableError
from drivers.units import LengthNm

MasterKind = Literal["gauge block", "stepped master", "shim", "feeler"]

#: Linear expansion of steel, a kelvin (common practice); ceramic and carbide expand less, so it is on the safe side.
STEEL_PER_K: Final = 11.5e-6
#: A gauge block is named by a value no finer than this: 1.00012 mm is "the 1.000 mm block".
_NOMINAL_STEP_NM: Final = 1000


#: The temperature at which certificates hold, degrees Celsius (ISO 1).
STANDARD_C: Final = 20.0


@dataclass(frozen=True, slots=True)
class Room:
    """How warm it is where a gauge is checked, degrees Celsius, and within how many kelvin that holds. The default is
    what a workshop is assumed to keep to; it matters at more than 20 mm only."""

    celsius: float = STANDARD_C
    within_k: float = 5.0


ASSUMED_ROOM: Final = Room()


@dataclass(frozen=True, slots=True)
class Master:
    """A piece of known thickness. `value_nm` is the certified one, with its expanded uncertainty."""

    serial: str
    kind: MasterKind
    nominal_nm: int
    value_nm: int
    expanded_uncertainty_nm: int
    coverage_factor: float
    certificate: str
    due: date | None = None
    """The last day its certificate holds, if it names one."""
    expansion_per_k: float = STEEL_PER_K

    @property
    def standard_uncertainty_nm(self) -> float:
        """The certificate's expanded uncertainty over its coverage factor (JCGM 100, 4.3.3)."""
        return self.expanded_uncertainty_nm / self.coverage_factor

    def expansion_nm(self, room: Room) -> float:
        """Return how much longer it is in a room than its certificate says."""
        return self.expansion_per_k * (room.celsius - STANDARD_C) * self.value_nm

    def overdue(self, on: date) -> bool:
        """Say whether its certificate had run out on that day."""
        return self.due is not None and on > self.due

    def kept(self) -> dict[str, Any]:
        """Return what the record keeps of it; the date in ISO 8601."""
        return {**asdict(self), "due": None if self.due is None else self.due.isoformat()}


def master_of(kept: dict[str, Any]) -> Master:
    """Return the master that the record kept. Raises ValueError for a date that is none."""
    due = kept.get("due")
    return Master(**{**kept, "due": None if due is None else date.fromisoformat(due)})


def _certificate(value: Any) -> Any:
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


class _MasterTable(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    serial: str = Field(min_length=1, max_length=60)
    kind: MasterKind
    value: LengthNm = Field(gt=0)
    expanded_uncertainty: LengthNm = Field(gt=0)
    coverage_factor: float = Field(default=2.0, ge=1, le=4)
    certificate: Annotated[str, BeforeValidator(_certificate)] = Field(min_length=1)
    due: date | None = None
    nominal: LengthNm | None = None
    expansion_per_k: float = Field(default=STEEL_PER_K, ge=0, le=1e-4)

    @model_validator(mode="after")
    def _known_well_enough(self) -> Self:
        if self.expanded_uncertainty * 20 > self.value:
            raise ValueError(
                f"expanded_uncertainty {self.expanded_uncertainty / 1000:g} um is more than a twentieth of the value; "
                "expected what the certificate says, such as '0.0005 mm'"
            )
        if self.nominal is not None and abs(self.nominal - self.value) * 20 > self.value:
            raise ValueError("nominal is more than a twentieth away from value; expected the size it is called by")
        return self

    def plain(self) -> Master:
        nominal = self.nominal or round(self.value / _NOMINAL_STEP_NM) * _NOMINAL_STEP_NM
        return Master(
            self.serial, self.kind, nominal, self.value, self.expanded_uncertainty, self.coverage_factor,
            self.certificate, self.due, self.expansion_per_k,
        )  # fmt: skip


class _MastersFile(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    masters: list[_MasterTable] = Field(min_length=1)


def load_masters(path: Path) -> list[Master]:
    """Return the masters of a file, in its order. Raises TableError."""
    masters = [table.plain() for table in FileKind("file of masters").read(path, _MastersFile).masters]
    twice = [serial for serial, count in Counter(master.serial for master in masters).items() if count > 1]
    if twice:
        raise TableError(f"{path}: masters: serial {twice[0]!r} stands twice; expected one table a master")
    return masters
