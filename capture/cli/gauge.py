"""The commands about the shop's gauges: `gauge masters`, `gauge check`, `gauge study`."""

from __future__ import annotations

import csv
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.options import ConfigFile, DataDir, DriverName, Json, Settings, errors_in_words, fail
from capture.plumbing.outward import say, say_json, warn

if TYPE_CHECKING:
    from capture.clearance.gauge.masters import Master
    from capture.clearance.gauge.study import Study


By = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who signs; else the technician of the settings.")]
Gauge = Annotated[str | None, typer.Option("--gauge", metavar="SERIAL", help="The gauge; else that of the settings.")]


def masters(
    file: Annotated[Path | None, typer.Argument(help="The shop's masters, TOML; without it, those there are.")] = None,
    by: By = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Make the shop's masters what a file says, or list them: gauge blocks, stepped masters, shims, feelers."""
    from capture.clearance.gauge.facts import MastersListed
    from capture.clearance.gauge.masters import load_masters
    from capture.clearance.gauge.standing import masters_of
    from capture.cli.gauge_files import new_or_old_record, settled_of, signer
    from capture.plumbing.checked_file import TableError

    settled = settled_of(config)
    with errors_in_words(), new_or_old_record(settled, data_dir) as store:
        if file is not None:
            try:
                listed = MastersListed(tuple(load_masters(file)), signer(by, settled))
            except TableError as error:
                fail(str(error))
            store.add_gauge_fact(listed, at=datetime.now(UTC))
        found = masters_of(store.gauge_facts())
    if as_json:
        for one in found:
            say_json({"type": "master", **one.kept()})
    elif not found:
        say("No masters yet: `strokelog gauge masters FILE` takes them from a file.")
    else:
        for one in found:
            say(_master_line(one))


def _master_line(one: Master) -> str:
    from drivers.units import format_length

    until = f", until {one.due}" if one.due is not None else ""
    late = " (RUN OUT)" if one.overdue(datetime.now().astimezone().date()) else ""
    return (
        f"{one.serial}: {one.kind} {format_length(one.nominal_nm, 'mm')}, certified {one.value_nm / 1e6:.5f} mm "
        f"± {one.expanded_uncertainty_nm / 1000:g} um (k = {one.coverage_factor:g}), {one.certificate}{until}{late}"
    )


def check(
    master: Annotated[
        list[str], typer.Option("--master", metavar="SERIAL", help="A master; the first is slid under three times.")
    ],
    port: Annotated[
        str | None, typer.Option("--port", help="As for `run`; recording:FILE measures a recording.")
    ] = None,
    driver: DriverName = None,
    settings: Settings = None,
    masters_file: Annotated[
        Path | None, typer.Option("--masters", help="Take the masters from this file, not from the record.")
    ] = None,
    gauge: Gauge = None,
    bench: Annotated[str | None, typer.Option("--bench", help="What this bench is called.")] = None,
    room_c: Annotated[
        float | None,
        typer.Option("--room-c", min=0, max=50, help="How warm it is at the stand; else as the settings say."),
    ] = None,
    as_left: Annotated[bool, typer.Option("--as-left", help="After something was done to it; else as found.")] = False,
    by: By = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Check the gauge against masters: tip on the anvil, slide each master under it and out.

    Five or more masters, up and down, are a linearity. Kept in the record, with its recording, where the gauge has a
    serial number and somebody signs. Exit code 0, 1 if the check is refused, 3 if the gauge is out.
    """
    from capture.cli.gauge_check import check_json, check_lines, run_check
    from capture.cli.gauge_files import chosen_masters, port_of, settled_of

    settled = settled_of(config)
    chosen = chosen_masters(master, masters_file, settled, data_dir)
    with errors_in_words():
        done = run_check(
            port_of(port, driver, settings, settled),
            chosen,
            settled=settled,
            data_dir=data_dir,
            gauge=gauge,
            bench=bench,
            as_left=as_left,
            by=by,
            room_c=room_c,
            tell=warn,
        )
    if as_json:
        say_json(check_json(done))
    else:
        for line in check_lines(done):
            say(line)
    found = done.measured.check
    raise typer.Exit(1 if found.refusal is not None else 3 if found.result == "out" or done.alarm else 0)


def study(
    csv_file: Annotated[
        Path | None, typer.Option("--csv", help="A table with the columns part, operator, value; repeats are rows.")
    ] = None,
    part: Annotated[list[str] | None, typer.Option("--part", help="Plan a study of this pack; repeat.")] = None,
    operator: Annotated[list[str] | None, typer.Option("--operator", help="And this technician; repeat.")] = None,
    trials: Annotated[int, typer.Option("--trials", min=2, help="How often each sets up and measures each.")] = 2,
    seed: Annotated[int, typer.Option("--seed", help="Another number, another order of the plan.")] = 1,
    tolerance: Annotated[
        float | None,
        typer.Option("--tolerance", min=0, help="Width of a range to hold it against, in the table's unit."),
    ] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="mm or in: of the table, to keep the study.")] = None,
    at_bench: Annotated[
        bool, typer.Option("--at-bench", help="Keep the plan for the gauge: y at its bench leads through it.")
    ] = False,
    pairs: Annotated[bool, typer.Option("--pairs", help="Of packs in the record that were checked again.")] = False,
    gauge: Gauge = None,
    by: By = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Repeatability and reproducibility: plan a study, or work out one from a table.

    With --part and --operator it writes the plan as such a table, in random order, its values to be filled in at the
    bench, or with --at-bench keeps it to be worked off there by key; with --csv it says what is left to measure, or
    what came out. With --unit it is kept for the gauge. --pairs takes the packs that were checked again anyhow, once
    there are 20. With none of them it says how far the gauge's study is, or what it came to, in millimetres.
    """
    from capture.clearance.gauge.study import StudyError, plan, studied

    if pairs:
        from capture.cli.gauge_files import study_pairs

        with errors_in_words():
            spread, count, kept = study_pairs(gauge, by, config, data_dir)
        if as_json:
            sd_nm = spread.sd if spread.dof else None
            say_json({"type": "pairs", "pairs": count, "grr_sd_nm": sd_nm, "kept": kept})
        elif not spread.dof:
            say(f"{count} packs were checked again, nothing changed; from 20 on they say what one check scatters by.")
        else:
            known = " It is kept, and stands in the budgets of this gauge." if kept else " --by NAME keeps it."
            say(f"One check scatters by {spread.sd / 1000:.1f} um, from {count} packs that were checked again.{known}")
        return
    if csv_file is None:
        if not part and not operator:
            from capture.cli.gauge_files import study_in_record

            with errors_in_words():
                standing, done = study_in_record(gauge, config, data_dir)
            if done is not None:
                _tell_study(done, tolerance, as_json)
            if standing and not (as_json and done is not None):
                say(standing)
            return
        if not part or not operator:
            fail("give --csv FILE, or --part and --operator to plan a study", 2)
        try:
            cells = plan(part, operator, trials, seed)
        except StudyError as error:
            fail(str(error), 2)
        if at_bench:
            from capture.cli.gauge_files import keep_plan

            with errors_in_words():
                serial = keep_plan(part, operator, trials, seed, gauge, by, config, data_dir)
            say(f"Planned: {len(cells)} checks with gauge {serial}. At its bench, y leads through them, over days.")
            return
        say("part,operator,value")
        for cell in cells:
            say(",".join(_quoted(text) for text in (cell.part, cell.operator, "")))
        return
    rows, left = _table(csv_file)
    if left:
        part_left, by_whom = left[0]
        fail(f"{csv_file}: {len(left)} left to measure; next: {part_left}, by {by_whom}")
    try:
        found = studied(rows)
    except StudyError as error:
        fail(f"{csv_file}: {error}")
    if unit is not None:
        from capture.cli.gauge_files import keep_study

        with errors_in_words():
            keep_study(rows, unit, gauge, by, config, data_dir)
    _tell_study(found, tolerance, as_json)


def _tell_study(found: Study, tolerance: float | None, as_json: bool) -> None:
    if as_json:
        say_json(_study_json(found, tolerance))
    else:
        for line in _study_lines(found, tolerance):
            say(line)


def _quoted(text: str) -> str:
    return f'"{text.replace(chr(34), chr(34) * 2)}"' if any(mark in text for mark in ',"\n') else text


def _table(path: Path) -> tuple[list[Any], list[tuple[str, str]]]:
    """Return the rows of a study's table, and those that are still to be measured."""
    from capture.clearance.gauge.study import Row

    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        fail(f"{path}: {getattr(error, 'strerror', None) or 'is not UTF-8 text'}; expected a table in CSV")
    reader = csv.DictReader(text.splitlines())
    if not {"part", "operator", "value"} <= set(reader.fieldnames or ()):
        fail(f"{path}, line 1: expected the columns part,operator,value; found {','.join(reader.fieldnames or ())}")
    rows, left = [], []
    for line in reader:
        who = (str(line["part"] or "").strip(), str(line["operator"] or "").strip())
        value = str(line["value"] or "").strip()
        if not value:
            left.append(who)
            continue
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            fail(f"{path}, line {reader.line_num}: value {value!r} is no number; expected such as 1.104")
        rows.append(Row(*who, number))
    if not rows and not left:
        fail(f"{path}: holds no rows; expected one a measurement")
    return rows, left


def _study_json(found: Study, tolerance: float | None) -> dict[str, Any]:
    parts = {
        "repeatability": found.repeatability, "reproducibility": found.reproducibility,
        "interaction": found.interaction, "part": found.parts, "grr": found.grr,
    }  # fmt: skip
    told: dict[str, Any] = {"type": "study"}
    told |= {f"{name}_sd": one.sd for name, one in parts.items()}
    told |= {"pooled": found.pooled, "dof": {name: one.dof for name, one in parts.items()}}
    told["interval"] = {name: [one.low, one.high if math.isfinite(one.high) else None] for name, one in parts.items()}
    told |= {"operator_sd": found.operators.sd, "total_sd": found.total_sd, "distinct": found.distinct}
    told["interaction_p"] = None if math.isnan(found.interaction_p) else found.interaction_p
    if tolerance:
        told["of_tolerance"] = found.of_tolerance(tolerance)
    return told


def _study_lines(found: Study, tolerance: float | None) -> list[str]:
    from capture.output.study_words import components_of, known_words, study_remarks

    lines = [
        f"{name:32} {one.sd:.4g}   {known_words(one, lambda value: f'{value:.4g}')}"
        for name, one in components_of(found)
    ]
    lines += study_remarks(found)
    if tolerance:
        lines.append(f"Six of its standard deviations are {100 * found.of_tolerance(tolerance):.0f} % of the range.")
    return lines
