"""What a check against masters says of a gauge's error, as a verdict's budget takes it. Plain data; lengths nm.

Theory. With a check that holds, the maker's limit of error (a rectangle nobody has looked at) is replaced by what was
measured. At a travel y,

    corrected     y - e(y), e between the masters found, straight from one to the next and from none at no travel,
                  where |e| is more than its standard uncertainty; a known error that matters is corrected (JCGM 100,
                  6.3.1 and F.2.4.5). Where it is less, nothing is corrected, and e^2 / 3 is added
    u(e)          of the check: its repeats, its display, its master's certificate, each as it is distributed
    local error   what the gauge does between two masters: as its linearity was found, else a tenth of the maker's limit
                  to either side (assumption)
    play          none of its own. A master slid under the tip and out is a stroke: it turns round where a pack's does,
                  from below on to the master and from above back on to the anvil, and loses the same. So it is in the
                  error found, whatever the settings say of it; of a travel shorter than the smallest master the error
                  is taken in proportion and play is not, so there the rest of it is left (`play_left`)
    drift         how far the moving average of the mornings is from their mean, not corrected, and what the error moves
                  from one morning to the next, without what the checks' own scatter makes of both (it is in u(e));
                  before there are enough mornings, a fortieth of the limit (assumption)
    remounts      what the same pack measured again after a remount or by another technician scatters, once known

A check says nothing of travels far beyond its masters: there the maker's limit stays. Where the gauge was proven out,
or its chart is out of control, nothing is corrected, and the limit is widened to what was found.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

from capture.clearance.gauge.linearity import error_between

#: The lines that two travels measured after one check share.
OF_THE_GAUGE: Final = frozenset({"check's repeats", "check's resolution", "master", "drift", "error not corrected"})
#: The gauge may do this share of the maker's limit between two masters until its linearity is known (assumption).
LOCAL_SHARE: Final = 1 / 10
#: And drift by this share from one morning to the next until there are enough mornings (assumption).
DRIFT_SHARE: Final = 1 / 40
#: A check serves travels up to so many times its largest master.
_REACH: Final = 1.5

#: A budget's line: source, standard uncertainty, degrees of freedom, basis, shape.
Line = tuple[str, float, float, str, Literal["t", "rectangular", "triangular"]]


@dataclass(frozen=True, slots=True)
class ErrorFound:
    """The gauge's error as one check found it, and what else is known of the gauge."""

    entry: int
    """The check's entry in the record's ledger; 0 for one that is in no record."""
    sha256: str
    """That entry's hash."""
    table: tuple[tuple[int, float], ...]
    """The error at each master's value."""
    repeats_nm: float
    """Of the mean of a master's readings."""
    repeats_dof: int
    rounding_nm: float
    master_nm: float
    """The certificate's standard uncertainty, the largest of the masters'."""
    local_nm: float
    """Half-width."""
    drift_nm: float
    drift_dof: int
    """0: an assumption, as if known."""
    remount_nm: float = 0.0
    remount_dof: float = 0.0
    """0: not known."""
    widened_nm: int = 0
    """Where the gauge is out: what its error may be instead of the maker's limit. Then nothing above is used."""

    @property
    def standard_nm(self) -> float:
        """Standard uncertainty of the error found."""
        return math.hypot(self.repeats_nm, self.rounding_nm, self.master_nm)

    def serves(self, travel_nm: float) -> bool:
        """Say whether it replaces the maker's limit at a travel."""
        return not self.widened_nm and 0 < travel_nm <= _REACH * max(value for value, _ in self.table)

    def correction(self, travel_nm: float) -> float:
        """Return what is added to a travel to correct it: the error, where it matters."""
        error = error_between(self.table, travel_nm)
        return -error if abs(error) > self.standard_nm else 0.0

    def play_left(self, travel_nm: float) -> float:
        """Return the share of the plunger's play that the error at a travel does not hold."""
        return max(0.0, 1 - travel_nm / min(value for value, _ in self.table))

    @property
    def _check(self) -> str:
        return f"check of entry {self.entry} ({self.sha256[:12]})" if self.entry else "the check"

    @property
    def why_not(self) -> str:
        """Why the maker's limit stays, in words for a budget."""
        if self.widened_nm:
            return f"rectangular; widened, since {self._check} found the gauge out"
        return f"rectangular, a/sqrt(3); the masters of {self._check} are too small for this travel"

    def lines(self, travel_nm: float) -> list[Line]:
        """Return the budget's lines that stand for the maker's limit at a travel."""
        check = self._check
        error = error_between(self.table, travel_nm)
        lines: list[Line] = [
            ("check's repeats", self.repeats_nm, self.repeats_dof or math.inf, f"s/sqrt(m), {check}", "t"),
            ("check's resolution", self.rounding_nm, math.inf, "two levels of a master, as dithered", "triangular"),
            ("master", self.master_nm, math.inf, "its certificate, U/k", "t"),
            ("local error", self.local_nm / math.sqrt(3), math.inf, "between two masters, rectangular", "rectangular"),
            ("drift", self.drift_nm, self.drift_dof or math.inf, "of the mornings, over a day", "t"),
        ]
        if abs(error) <= self.standard_nm:
            basis = "less than its uncertainty, so not corrected: e/sqrt(3)"
            lines.append(("error not corrected", abs(error) / math.sqrt(3), math.inf, basis, "rectangular"))
        if self.remount_dof:
            basis = "remounts and technicians, from studies and pairs"
            lines.append(("remounts", self.remount_nm, self.remount_dof, basis, "t"))
        return [line for line in lines if line[1]]

    def kept(self) -> dict[str, Any]:
        """Return what the record and a recording keep of it."""
        return {**asdict(self), "table": [list(point) for point in self.table]}


def found_in(kept: Mapping[str, Any] | None) -> ErrorFound | None:
    """Return what a check's gauge, as the record or a recording keeps it, says of its error; None where it says none.

    Raises TypeError or ValueError for what is none of ours.
    """
    told = None if kept is None else kept.get("error")
    if told is None:
        return None
    if not isinstance(told, dict):
        raise TypeError(f"the gauge's error is {type(told).__name__}, expected an object")
    table = tuple((int(value), float(error)) for value, error in told["table"])
    # The first two ways of measuring kept a play of its own.
    kept_now = {name: value for name, value in told.items() if name not in ("play_nm", "play_known")}
    return ErrorFound(**{**kept_now, "table": table})
