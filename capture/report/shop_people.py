"""What a shop's report says of how people work: beside each other, and nobody named. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from capture.collect.statistics.figures import Funnel, Interval
from capture.collect.statistics.shop import Model, ShopStatistics
from capture.report.shop_pictures import Bar, ChartScale, bars_svg
from capture.report.shop_section import ShopSection, micrometres, of_model


def reproducibility(known: ShopStatistics) -> Iterator[ShopSection]:
    """Yield how far two checks of one pack differ, by the same technician and by two."""
    if not known.reproducibility:
        return
    bars = [
        Bar.of(
            f"{'another technician' if one.another_technician else 'the same one again'}, {of_model(one.model)}",
            one.sd,
            f"{one.pairs} pairs: {_um(one.sd)}",
            f"{one.pairs} pairs",
        )
        for one in known.reproducibility
    ]
    most = max([10_000.0, *(one.sd.high for one in known.reproducibility if one.sd is not None)])
    yield ShopSection(
        "How far two checks differ",
        "The standard deviation of a check beside another of the same pack with the same gauge, nothing changed "
        "between. It says what the way of working does, and nothing of any person. Shown from 10 pairs on; from 20 on "
        "it may stand for a study's.",
        (bars_svg(bars, ChartScale.from_zero(most, micrometres), "reproducibility"),),
    )


def not_counted(known: ShopStatistics) -> Iterator[ShopSection]:
    """Yield how many strokes did not count, by who made them."""
    if not known.not_counted:
        return
    most = max([0.02, *(one.share.high for one in known.not_counted if one.share is not None)])
    by_checks = sorted(known.not_counted, key=lambda one: -one.checks)
    bars = []
    for one in by_checks:
        told = f"{one.not_counted} of {one.strokes}"
        label = f"{one.shop + ': ' if one.shop else ''}somebody with {one.checks} checks"
        bars.append(Bar.of(label, one.share, told, told))
    notes = [
        f"Whoever made {one.checks} checks is {'far ' if one.against_others.outside else ''}beside the others, by more "
        "than they differ among themselves: look at the fixture, the regulator and how the indicator stands."
        for one in by_checks
        if one.against_others is not None and one.against_others.unusual
    ]
    yield ShopSection(
        "Strokes that did not count",
        "The share of strokes that were flagged and not averaged, by who made them, in the order of how many checks "
        "they made; nobody is named or ranked. Shown from 20 checks on.",
        (
            bars_svg(
                bars, ChartScale.from_zero(most, lambda share: f"{100 * share:.1f} %"), "strokes that did not count"
            ),
        ),
        tuple(notes),
    )


def ways_of_working(known: ShopStatistics) -> Iterator[ShopSection]:
    """Yield two pictures that name nobody: how far the strokes of a check lie apart, and what packs are found to be."""
    if known.scatters:
        bars = [
            Bar.of(_by(one.model, one.pack, one.checks, "checks"), one.sd, _um(one.sd), "not told yet")
            for one in sorted(known.scatters, key=lambda one: -one.checks)
        ]
        most = max([4_000.0, *(one.sd.high for one in known.scatters if one.sd is not None)])
        yield ShopSection(
            "How far the strokes of a check lie apart",
            "The standard deviation of the counted strokes of one check, by who made them, pack by pack, in the order "
            "of how many checks they made; nobody is named or ranked. Shown from 20 checks on.",
            (bars_svg(bars, ChartScale.from_zero(most, micrometres), "scatter within a check"),),
            tuple(
                _stands_out(one.model, one.pack, one.checks, "checks", one.against_others, "how far strokes lie apart")
                for one in known.scatters
                if one.against_others is not None and one.against_others.unusual
            ),
        )
    levels = [one for one in known.levels if one.mean is not None]
    if len(levels) > 1:
        bars = [
            Bar.of(_by(one.model, one.pack, one.packs, "packs"), one.mean, _um(one.mean))
            for one in sorted(levels, key=lambda one: -one.packs)
        ]
        most = max(max(abs(one.mean.low), abs(one.mean.high)) for one in levels if one.mean is not None)
        yield ShopSection(
            "What packs are found to be, by who finds it",
            "The mean of packs as they come in, off the preferred clearance, by who made the first check; nobody is "
            "named or ranked. Everybody gets the packs that come, so that the means should agree. From 20 packs on.",
            (bars_svg(bars, ChartScale.either_side(most, micrometres, "0"), "level of each technician"),),
            tuple(
                _stands_out(one.model, one.pack, one.packs, "packs", one.against_others, "what packs are found to be")
                for one in levels
                if one.against_others is not None and one.against_others.unusual
            ),
        )


def _um(known: Interval | None) -> str:
    return "" if known is None else micrometres(known.value)


def _by(model: Model, pack: str, count: int, of: str) -> str:
    return f"somebody with {count} {of}, {of_model(model, pack)}"


def _stands_out(model: Model, pack: str, count: int, of: str, where: Funnel, what: str) -> str:
    return (
        f"Whoever made {count} {of} of {of_model(model, pack)} is {'far ' if where.outside else ''}beside the others "
        f"in {what}, by more than they differ among themselves: look at the fixture and the indicator, and work "
        "a pack together."
    )
