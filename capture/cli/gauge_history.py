"""The commands about what a gauge has been through: `gauge chart`, `event`, `suspects` and `instrument`."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, fail, open_store
from capture.plumbing.outward import say

if TYPE_CHECKING:
    from capture.clearance.gauge.facts import InstrumentKind
    from capture.job.suspects import Doubt, Suspect


Serial = Annotated[str, typer.Argument(help="The gauge's serial number.")]
By = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who says so.")]


def chart(
    serial: Serial,
    last: Annotated[int, typer.Option("--last", min=1, help="How many mornings to list.")] = 30,
    html: Annotated[Path | None, typer.Option("--html", help="Write the charts as one page instead.")] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Show a gauge's mornings: error and spread with their limits, phases, events, and who checked it."""
    from capture.clearance.gauge.standing import mornings_of
    from capture.output.gauge_chart import chart_lines
    from capture.output.gauge_page import chart_page
    from capture.plumbing.durable import written

    with errors_in_words(), open_store(config, data_dir) as store:
        entries = store.gauge_facts()
    mornings = mornings_of(entries, serial)
    if html is not None:
        try:
            with written(html) as file:
                file.write(chart_page(mornings, entries, serial).encode())
        except OSError as error:
            fail(f"{html}: {error.strerror}; expected a place that can be written")
        say(f"Written to {html}.")
        return
    if not as_json:
        for line in chart_lines(mornings, entries, serial, last):
            say(line)
        return
    for one in mornings[-last:]:
        limits, point = one.charted.limits, one.charted.point
        told = {
            "type": "gauge_morning", "entry": one.entry.number, "at": one.entry.at.isoformat(), "by": one.fact.by,
            "error_nm": point.error_nm, "spread_nm": point.spread.sd, "average_nm": one.charted.average_nm,
            "result": one.fact.check.result, "control": one.charted.word, "alarm": one.charted.alarm,
            "phase": point.phase, "as_left": one.fact.as_left,
            "mean_nm": limits and limits.mean_nm, "limit_nm": limits and limits.value_nm,
        }  # fmt: skip
        say(json.dumps(told, ensure_ascii=False))


def event(
    serial: Serial,
    what: Annotated[str, typer.Argument(help="Such as dropped, new tip, repaired.")],
    by: By = None,
    note: Annotated[str, typer.Option("--note", help="What there is to say of it.")] = "",
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Keep what happened to a gauge: its last check says nothing of it any more, and its chart begins a new phase."""
    from capture.clearance.gauge.facts import EVENTS, GaugeEvent
    from capture.cli.gauge_files import new_or_old_record, settled_of, signer

    found = [word for word in EVENTS if word == what or word.startswith(what)]
    if len(found) != 1:
        fail(f"event {what!r}: expected one of: {', '.join(EVENTS)}", 2)
    settled = settled_of(config)
    fact = GaugeEvent(serial, found[0], signer(by, settled), note)
    with errors_in_words(), new_or_old_record(settled, data_dir) as store:
        number = store.add_gauge_fact(fact, at=datetime.now(UTC))
    if as_json:
        say(
            json.dumps({"type": "gauge_event", "entry": number, "gauge": serial, "event": found[0]}, ensure_ascii=False)
        )
    else:
        say(f"Entry {number}: {serial} {found[0]}. Check it against a master before the next pack.")


def suspects(serial: Serial, as_json: Json = False, config: ConfigFile = None, data_dir: DataDir = None) -> None:
    """List every verdict since the gauge was last in order, if it was found out, and what each would be with its error.

    Units that were signed off come first. Exit code 0, 3 if a verdict would be another.
    """
    from capture.job.suspects import doubt_of
    from capture.job.suspects import suspects as find

    with errors_in_words(), open_store(config, data_dir) as store:
        entries = store.gauge_facts()
        doubt = doubt_of(entries, serial)
        found = [] if doubt is None else find(entries, store.every_job(), serial, doubt)
    if as_json:
        for one in found:
            say(json.dumps(_suspect_json(one), ensure_ascii=False))
    else:
        for line in _suspect_lines(serial, doubt, found):
            say(line)
    raise typer.Exit(3 if any(one.changes for one in found) else 0)


def _suspect_json(one: Suspect) -> dict[str, Any]:
    return {
        "type": "suspect",
        "job": one.job.id,
        "unit": one.job.unit_serial,
        "pack": one.check.pack,
        "check": one.check.number,
        "signed_off": one.signed_off,
        "verdict": one.verdict.verdict,
        "mean_nm": one.verdict.mean_nm,
        "would_be": one.would and one.would.verdict,
        "would_be_mean_nm": one.would and one.would.mean_nm,
        "would_be_expanded_uncertainty_nm": one.would and one.would.expanded_uncertainty_nm,
    }


def _suspect_lines(serial: str, doubt: Doubt | None, found: list[Suspect]) -> list[str]:
    if doubt is None:
        return [f"Gauge {serial} was never found out of order: nothing is in doubt."]
    since = f"since {doubt.good.entry.at.astimezone():%Y-%m-%d %H:%M}" if doubt.good else "from the beginning"
    lines = [
        f"Gauge {serial} was found out {doubt.bad.entry.at.astimezone():%Y-%m-%d %H:%M} (entry "
        f"{doubt.bad.entry.number}): {len(found)} verdicts {since} are in doubt."
    ]
    for one in found:
        would = "cannot be judged again" if one.would is None else (
            f"would be {one.would.verdict}, {one.would.mean_nm / 1e6:.3f} ± "
            f"{one.would.expanded_uncertainty_nm / 1e6:.3f} mm"
        )  # fmt: skip
        mark = "◆" if one.changes else " "
        signed = "SIGNED OFF" if one.signed_off else "not signed off"
        lines.append(
            f"{mark} job {one.job.id}, unit {one.job.unit_serial}, {one.check.pack}: {one.verdict.verdict} "
            f"({one.verdict.mean_nm / 1e6:.3f} mm), {would}. {signed}"
        )
    if any(one.changes for one in found):
        lines.append("Get those marked back to a bench, and measure them with a gauge in order.")
    return lines


def instrument(
    serial: Serial,
    kind: Annotated[str, typer.Option("--kind", help="torque wrench, or pressure gauge.")],
    reference: Annotated[str, typer.Option("--reference", metavar="SERIAL", help="What it was checked on.")],
    unit: Annotated[str, typer.Option("--unit", help="Of the values, such as 'N m' or kPa.")],
    value: Annotated[list[str], typer.Option("--value", metavar="TRUE:READ", help="A pair of values; repeat.")],
    limit: Annotated[float, typer.Option("--limit", min=0, help="The error that is allowed, in that unit.")],
    due: Annotated[
        str, typer.Option("--due", metavar="DATE", help="The last day this holds, such as 2027-05-01.")
    ] = "",
    note: Annotated[str, typer.Option("--note", help="What there is to say of it.")] = "",
    by: By = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Keep the check of a torque wrench on a transducer, or of a pressure gauge against a master, entered by hand.

    Exit code 0, 3 if an error is larger than the limit.
    """
    from capture.clearance.gauge.facts import InstrumentChecked
    from capture.cli.gauge_files import new_or_old_record, settled_of, signer

    kinds: dict[str, InstrumentKind] = {"torque wrench": "torque wrench", "pressure gauge": "pressure gauge"}
    if kind not in kinds:
        fail(f"--kind {kind}: expected 'torque wrench' or 'pressure gauge'", 2)
    pairs = []
    for text in value:
        true, _, read = text.partition(":")
        try:
            pairs.append((float(true), float(read)))
        except ValueError:
            pairs.append((math.nan, math.nan))
        if not all(math.isfinite(one) for one in pairs[-1]):
            fail(f"--value {text}: expected what the reference showed and what was read, such as 50:50.4", 2)
    if due:
        try:
            date.fromisoformat(due)
        except ValueError:
            fail(f"--due {due}: expected a date such as 2027-05-01", 2)
    settled = settled_of(config)
    fact = InstrumentChecked(serial, kinds[kind], reference, unit, tuple(pairs), limit, signer(by, settled), due, note)
    with errors_in_words(), new_or_old_record(settled, data_dir) as store:
        number = store.add_gauge_fact(fact, at=datetime.now(UTC))
    word = "within its limit" if fact.in_order else "OUT of its limit"
    if as_json:
        told = {"type": "instrument_check", "entry": number, "serial": serial, "worst": fact.worst, "unit": unit}
        say(json.dumps({**told, "in_order": fact.in_order}, ensure_ascii=False))
    else:
        say(f"Entry {number}: {kind} {serial} is off by {fact.worst:+g} {unit} at most: {word}.")
    raise typer.Exit(0 if fact.in_order else 3)
