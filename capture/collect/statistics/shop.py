"""What is known of a shop's work: each statistic with its interval, and of what it is. Plain data."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from capture.collect.statistics.figures import Funnel, GaugeDrift, Interval


@dataclass(frozen=True, slots=True)
class Model:
    """What numbers are of, and never mixed: a sheet with its revision, in a shop."""

    shop: str
    sheet: str
    revision: str


@dataclass(frozen=True, slots=True)
class Clearance:
    """A pack's clearance as found or as built. Lengths nm; what is below its least sample is None."""

    model: Model
    pack: str
    packs: int
    low_nm: int
    high_nm: int
    preferred_nm: int
    mean: Interval | None
    """Off the preferred clearance."""
    sd: Interval | None
    share_in_middle_half: float | None = None

    @property
    def shifted(self) -> bool:
        """Whether the middle is shown to be off what the sheet prefers; named from 30 packs on."""
        return self.mean is not None and self.packs >= 30 and not self.mean.low <= 0 <= self.mean.high


@dataclass(frozen=True, slots=True)
class Yield:
    """How many packs, or units, were good at first; None below the least sample."""

    model: Model
    pack: str
    of: int
    good: int
    share: Interval | None
    inconclusive: float | None = None
    needs_a_master: float | None = None
    """The share of all that is inconclusive for want of a check of the gauge."""
    against_all: Funnel | None = None
    """Beside the packs of all other models; None where it may not be compared."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Packs of signed units that were good, and how many of them may be out of range all the same."""

    model: Model
    pack: str
    packs: int
    expected_out: float


@dataclass(frozen=True, slots=True)
class RingBias:
    """What a size of a selective part is off by, nm; positive is thicker than said."""

    model: Model
    pack: str
    part: str
    thickness_nm: int
    changes: int
    mean: Interval | None
    shrunk: Interval | None
    """Drawn towards 0 by how little is known, beside the other sizes."""


@dataclass(frozen=True, slots=True)
class Reproducibility:
    """The standard deviation of one check beside another of the same pack, nm; None below 10 pairs."""

    model: Model
    another_technician: bool
    pairs: int
    sd: Interval | None


@dataclass(frozen=True, slots=True)
class GaugeHistory:
    """A gauge's mornings since it last became another one; lengths nm."""

    shop: str
    bench: str
    serial: str
    days: tuple[float, ...]
    errors_nm: tuple[int, ...]
    max_error_nm: int
    drift: GaugeDrift | None
    """None below 12 mornings."""


@dataclass(frozen=True, slots=True)
class StrokesNotCounted:
    """How many of one technician's strokes did not count, whoever that is; None below 20 checks."""

    shop: str
    checks: int
    strokes: int
    not_counted: int
    share: Interval | None
    against_others: Funnel | None
    """Beside the shop's other technicians."""


@dataclass(frozen=True, slots=True)
class StrokeScatter:
    """How far the strokes of one technician's checks of a pack lie apart, whoever that is; nm."""

    model: Model
    pack: str
    checks: int
    sd: Interval | None
    """Of the strokes of one check; None below 20 checks, and where a display hides it altogether."""
    against_others: Funnel | None
    """Beside the others who checked this pack of this sheet and revision."""


@dataclass(frozen=True, slots=True)
class TechnicianLevel:
    """What one technician finds a pack to be as it comes in, whoever that is; nm off the preferred clearance."""

    model: Model
    pack: str
    packs: int
    mean: Interval | None
    """None below 20 packs."""
    against_others: Funnel | None
    """Beside the others who checked this pack of this sheet and revision first."""


@dataclass(frozen=True, slots=True)
class AirOfBench:
    """The gauge pressure that a bench holds, Pa, and how fast it falls, Pa/s; None below 30 strokes."""

    shop: str
    bench: str
    strokes: int
    mean_pa: float | None
    leak_down_pa_per_s: float | None


@dataclass(frozen=True, slots=True)
class PressureSlope:
    """How much further a pack moves under more pressure, nm/Pa; None below 30 strokes over 5 kPa."""

    model: Model
    pack: str
    strokes: int
    reach_pa: float
    slope: Interval | None


@dataclass(frozen=True, slots=True)
class ChecksLeftOut:
    """Checks that count for nothing here, since their gauge was in doubt."""

    shop: str
    bench: str
    gauge_serial: str
    days: tuple[str, ...]
    checks: int


@dataclass(frozen=True, slots=True)
class ShopStatistics:
    """All that is known of a shop's work."""

    since: datetime | None
    as_found: tuple[Clearance, ...]
    as_built: tuple[Clearance, ...]
    yields: tuple[Yield, ...]
    unit_yields: tuple[Yield, ...]
    exposures: tuple[Exposure, ...]
    rings: tuple[RingBias, ...]
    reproducibility: tuple[Reproducibility, ...]
    gauges: tuple[GaugeHistory, ...]
    not_counted: tuple[StrokesNotCounted, ...]
    scatters: tuple[StrokeScatter, ...]
    levels: tuple[TechnicianLevel, ...]
    pressures: tuple[AirOfBench, ...]
    slopes: tuple[PressureSlope, ...]
    left_out: tuple[ChecksLeftOut, ...]
