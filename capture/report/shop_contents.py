"""What is on a shop's report: each statistic as a picture first, then its numbers, then what is to know of it. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from capture.collect.statistics.shop import Clearance, GaugeHistory, ShopStatistics, Yield
from capture.report.shop_people import not_counted, reproducibility, ways_of_working
from capture.report.shop_pictures import Bar, ChartScale, bars_svg, mornings_svg
from capture.report.shop_section import ShopSection, micrometres, of_model
from capture.stock.forecast import SizeForecast, StockForecast


@dataclass(frozen=True, slots=True)
class ShopContents:
    """The whole report."""

    title: str
    period: str
    left_out: tuple[str, ...]
    sections: tuple[ShopSection, ...]


_SHARES = ChartScale(0.0, 1.0, tuple((n / 4, f"{n * 25} %") for n in range(5)))


def shop_contents(known: ShopStatistics, at: datetime, more: Sequence[ShopSection] = ()) -> ShopContents:
    """Return what is on the report, made at `at`; `more` are sections that come from elsewhere than the statistics."""
    period = "everything collected" if known.since is None else f"checks since {known.since:%Y-%m-%d}"
    sections = (
        *_yields(known),
        *_clearances(known.as_found, "as found", 15),
        *_clearances(known.as_built, "as built", 30),
        *_exposure(known),
        *_rings(known),
        *reproducibility(known),
        *_gauges(known.gauges),
        *not_counted(known),
        *ways_of_working(known),
        *_air(known),
    )
    return ShopContents(
        "How the shop works", f"{period}, up to {at:%Y-%m-%d %H:%M} UTC", _left_out(known), (*sections, *more)
    )


def _left_out(known: ShopStatistics) -> tuple[str, ...]:
    return tuple(
        f"Left out of every number: {one.checks} check{'' if one.checks == 1 else 's'} with gauge {one.gauge_serial} "
        f"at {one.bench}, whose gauge was out or was found out afterwards, on {', '.join(one.days)}."
        for one in known.left_out
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _yields(known: ShopStatistics) -> Iterator[ShopSection]:
    if known.yields:
        bars = [_yield_bar(one, one.pack) for one in known.yields]
        unusual = [
            f"{of_model(one.model, one.pack)} is {'far ' if one.against_all.outside else ''}beside what the shop's "
            "other packs have, by more than they differ among themselves and chance gives a group of its size "
            f"({'99.8' if one.against_all.outside else '95'} %)."
            for one in known.yields
            if one.against_all is not None and one.against_all.unusual
        ]
        yield ShopSection(
            "Good at the first check",
            "Packs that were good when they were first checked; the line is the 95 % interval. Shown from 20 packs on, "
            "compared from 50 on.",
            (bars_svg(bars, _SHARES, "first-time yield"),),
            (*filter(None, map(_unclear, known.yields)), *unusual),
        )
    if known.unit_yields:
        bars = [_yield_bar(one, "") for one in known.unit_yields]
        yield ShopSection(
            "Units that went through",
            "Signed units whose packs were all good at their first check. Shown from 30 units on.",
            (bars_svg(bars, _SHARES, "rolled yield of units"),),
        )


def _yield_bar(one: Yield, pack: str) -> Bar:
    label = of_model(one.model, pack)
    told = f"{one.good} of {one.of}"
    return Bar.of(label, one.share, told, told)


def _unclear(one: Yield) -> str:
    """Say how many were not settled at first, and for want of what; nothing where all were."""
    if not one.inconclusive:
        return ""
    master = f", {_percent(one.needs_a_master)} for want of a check of the gauge" if one.needs_a_master else ""
    return f"{of_model(one.model, one.pack)}: {_percent(one.inconclusive)} inconclusive{master}."


def _clearances(known: Sequence[Clearance], how: str, least: int) -> Iterator[ShopSection]:
    if not known:
        return
    reach = max(max(abs(one.low_nm - one.preferred_nm), abs(one.high_nm - one.preferred_nm)) for one in known) * 1.15
    marks = tuple(
        (value, f"{value / 1000:+.0f} µm" if value else "preferred") for value in (-reach / 1.15, 0.0, reach / 1.15)
    )
    bars, rows, notes = [], [], []
    for one in known:
        label, band = (
            of_model(one.model, one.pack),
            (float(one.low_nm - one.preferred_nm), float(one.high_nm - one.preferred_nm)),
        )
        if one.mean is None or one.sd is None:
            bars.append(Bar(label, None, note=f"{one.packs} packs", band=band))
            continue
        spread = 2 * one.sd.value
        bars.append(
            Bar(label, one.mean.value, one.mean.value - spread, one.mean.value + spread, f"{one.packs} packs", band)
        )
        middle = "" if one.share_in_middle_half is None else _percent(one.share_in_middle_half)
        rows.append(
            (
                label,
                f"{micrometres(one.mean.value)} ({micrometres(one.mean.low)} to {micrometres(one.mean.high)})",
                f"{micrometres(one.sd.value)} ({micrometres(one.sd.low)} to {micrometres(one.sd.high)})",
                middle,
            )
        )
        if one.shifted:
            side = "loose" if one.mean.value > 0 else "tight"
            notes.append(
                f"{label} is shifted to the {side} side {how}, by {micrometres(abs(one.mean.value))} in the mean."
            )
    yield ShopSection(
        f"Clearance {how}",
        f"Off what the sheet prefers; the dot is the mean, the line two standard deviations to either side, the grey "
        f"band the sheet's range. Shown from {least} packs on.",
        (bars_svg(bars, ChartScale(-reach, reach, marks), f"clearance {how}"),),
        tuple(notes),
        ("", "mean", "standard deviation", "in the middle half of the range"),
        tuple(rows),
    )


def _exposure(known: ShopStatistics) -> Iterator[ShopSection]:
    if not known.exposures:
        return
    packs, out = sum(one.packs for one in known.exposures), sum(one.expected_out for one in known.exposures)
    yield ShopSection(
        "Out of range all the same",
        f"Of {packs} packs that are good in signed units, {out:.2f} are expected to be out of range: what each "
        "verdict's uncertainty left open, added up.",
        (),
        (),
        ("", "packs", "expected out of range"),
        tuple((of_model(one.model, one.pack), str(one.packs), f"{one.expected_out:.2f}") for one in known.exposures),
    )


def _rings(known: ShopStatistics) -> Iterator[ShopSection]:
    if not known.rings:
        return
    ends = [abs(end) for one in known.rings if one.mean for end in (one.mean.low, one.mean.high)]
    reach = max([*ends, 5_000.0]) * 1.1
    marks = (
        (-reach / 1.1, f"{micrometres(-reach / 1.1)}"),
        (0.0, "as said"),
        (reach / 1.1, f"+{micrometres(reach / 1.1)}"),
    )
    bars = []
    for one in known.rings:
        label = f"{one.part} {one.thickness_nm / 1e6:.2f} mm, {one.pack}, {of_model(one.model)}"
        if one.mean is None or one.shrunk is None:
            bars.append(Bar(label, None, note=f"{one.changes} changes"))
        else:
            drawn = f"{one.changes} changes; take {micrometres(one.shrunk.value)}"
            bars.append(Bar(label, one.mean.value, one.mean.low, one.mean.high, drawn))
    yield ShopSection(
        "What rings are off by",
        "How much thicker than said a size came out to be, from what was measured after it was fitted. What the part "
        "before it was off by is in the spread. Shown from 10 changes on; `take` is drawn towards nothing by how "
        "little is known.",
        (bars_svg(bars, ChartScale(-reach, reach, marks), "thickness of rings"),),
    )


def _gauges(known: Sequence[GaugeHistory]) -> Iterator[ShopSection]:
    if not known:
        return
    pictures, notes = [], []
    for one in known:
        name = f"gauge {one.serial} at {one.bench}"
        shown = one.drift is not None and one.drift.shown
        trend = (one.drift.now_nm, one.drift.slope_nm_per_day) if one.drift is not None and shown else None
        pictures.append(mornings_svg(one.days, one.errors_nm, one.max_error_nm, trend, name))
        if one.drift is None:
            notes.append(f"{name}: too few mornings for a drift ({len(one.days)} of 12).")
        elif not shown:
            notes.append(f"{name}: no drift is shown.")
        else:
            day = one.drift.slope_nm_per_day
            left = one.drift.days_to_limit
            until = "" if left is None else f"; at that it reaches its limit in about {left:.0f} days"
            notes.append(f"{name} drifts by {micrometres(30 * day)} in 30 days{until}.")
    yield ShopSection(
        "Gauges",
        "What each gauge reads too much at its check standard, morning by morning, since it last became another one.",
        tuple(pictures),
        tuple(notes),
    )


def _air(known: ShopStatistics) -> Iterator[ShopSection]:
    held = [one for one in known.pressures if one.mean_pa is not None]
    if held:
        yield ShopSection(
            "Air of each bench",
            "The gauge pressure held in the middle of the counted strokes, and how fast it fell. From 30 strokes on.",
            (),
            (),
            ("", "strokes", "pressure", "falls by"),
            tuple(
                (
                    f"{one.shop + ': ' if one.shop else ''}{one.bench}",
                    str(one.strokes),
                    f"{(one.mean_pa or 0) / 1000:.1f} kPa",
                    "" if one.leak_down_pa_per_s is None else f"{one.leak_down_pa_per_s / 1000:.2f} kPa/s",
                )
                for one in held
            ),
        )
    slopes = [one for one in known.slopes if one.slope is not None]
    if slopes:
        yield ShopSection(
            "What pressure does to a clearance",
            "How much further a pack moved under 10 kPa more, from strokes of one check beside each other, with its "
            "95 % interval. From 30 strokes over 5 kPa on.",
            (),
            (),
            ("", "strokes", "over", "under 10 kPa more"),
            tuple(
                (
                    of_model(one.model, one.pack),
                    str(one.strokes),
                    f"{one.reach_pa / 1000:.1f} kPa",
                    f"{micrometres(1e4 * one.slope.value)} "
                    f"({micrometres(1e4 * one.slope.low)} to {micrometres(1e4 * one.slope.high)})",
                )
                for one in slopes
                if one.slope is not None
            ),
        )


def order_section(told: StockForecast, sizes: Sequence[tuple[str, SizeForecast]]) -> ShopSection:
    """Return the section that says which sizes to order; `sizes` are in the order to show, with their names."""
    most = max([1, *(max(one.to_have + one.waiting, one.free) for _, one in sizes)])
    marks = tuple((float(at), str(at)) for at in sorted({0, (most + 1) // 2, most}))
    bars = [
        Bar(
            name,
            float(one.free),
            one.free,
            one.free,
            f"order {one.order}" if one.order else "",
            (0, one.to_have + one.waiting),
        )
        for name, one in sizes
    ]
    basis = (
        f"From {told.packs} packs as found in {told.weeks:.0f} weeks, {told.lead_weeks:g} weeks from order to shelf. "
    )
    if not told.known:
        basis = (
            f"Too few packs or weeks ({told.packs} in {told.weeks:.1f}) to tell what will come: only what waits now. "
        )
    return ShopSection(
        "Which sizes to order",
        f"{basis}The dot is what is free, the grey band what it takes so that no pack waits for the size, "
        f"{_percent(told.served)} of the time.",
        (bars_svg(bars, ChartScale(0.0, float(most), marks), "sizes to order"),) if bars else (),
        (),
        ("", "free", "needed now", "expected", "order", "short otherwise"),
        tuple(
            (
                name, str(one.free), str(one.waiting), f"{one.expected:.1f}", str(one.order),
                _percent(one.short_probability) if one.order else "",
            )
            for name, one in sizes
        ),
    )  # fmt: skip
