"""The command `record anchor`: the heads of record and stock to a file, a printer, a second broker, and stamped."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from capture.cli.extras import need
from capture.cli.options import ConfigFile, DataDir, Json, broker_settings, errors_in_words, fail, record_path
from capture.plumbing.outward import say, say_json, warn

if TYPE_CHECKING:
    from capture.custody.anchors import Anchor
    from capture.mqtt.settings import BrokerSettings


_PRINTER_S: Final = 60.0


def anchor(
    file: Annotated[Path | None, typer.Option("--file", help="Add a line to this file.")] = None,
    broker: Annotated[
        str | None, typer.Option("--broker", metavar="URL", help="A second broker: mqtt://HOST, mqtts:// for TLS.")
    ] = None,
    stamp: Annotated[
        str | None, typer.Option("--stamp", metavar="URL", help="A time-stamping service of RFC 3161.")
    ] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Write the record's head, and that of the stock it uses, where the bench's owner does not reach.

    Where to is in the settings, under [anchors]: a file, a printer, a second broker, each as it is given; the options
    win. Exit code 1 if a place did not take it; the others have it all the same.
    """
    from capture.config import load_config
    from capture.custody.anchors import Anchor, append_anchor
    from capture.record import Store

    with errors_in_words():
        settled = load_config(config)
        kept = settled.anchors
        second = kept.broker if broker is None else broker_settings(broker, settled.model_copy(update={"broker": None}))
        path, service = file or kept.file, stamp or kept.stamp
        if path is None and second is None and not kept.printer:
            fail(
                "there is no place to write the head to; give --file or --broker, or name one under [anchors] in the "
                "settings: file, printer, or broker",
                2,
            )
        with Store.open_to_read(record_path(config, data_dir)) as store:
            number, sha256 = store.head()
            benches = store.benches()
    if not number:
        say("The record is empty: there is no head to write down yet.")
        return
    bench = settled.bench if settled.bench in benches or not benches else benches[-1]
    ones = [Anchor(bench=bench, at=datetime.now(UTC), number=number, sha256=sha256)]
    wrong: list[str] = []
    if (of_stock := _head_of_stock(settled.stock_path, wrong)) is not None:
        number, sha256 = of_stock
        ones.append(Anchor(bench=bench, what="stock", at=datetime.now(UTC), number=number, sha256=sha256))
    for unstamped in ones:
        one = _stamped(unstamped, service, wrong) if service else unstamped
        places: dict[str, Callable[[], None]] = {}
        if path is not None:
            places[f"file {path}"] = partial(append_anchor, path, one)
        if kept.printer:
            places[f"printer {kept.printer[0]}"] = partial(_print, kept.printer, one)
        if second is not None:
            places[f"broker {second.url}"] = partial(_publish, second, one)
        told = [name for name, write in places.items() if _wrote(name, write, wrong)]
        _tell(one, told, wrong, as_json)
    for words in wrong:
        warn(f"strokelog: {words}")
    raise typer.Exit(1 if wrong else 0)


def _head_of_stock(path: Path, wrong: list[str]) -> tuple[int, str] | None:
    """Return the head of the stock that this bench uses, None where there is none."""
    from capture.stock import StockError, StockRoom

    if not path.is_file():
        return None
    try:
        with StockRoom.open(path) as room:
            found = room.head()
    except StockError as error:
        wrong.append(f"the stock's head was not written: {error}")
        return None
    return found if found[0] else None


def _tell(one: Anchor, told: list[str], wrong: list[str], as_json: bool) -> None:
    if as_json:
        line = {"type": "anchor", "what": one.what, "bench": one.bench, "number": one.number, "sha256": one.sha256}
        say_json({**line, "stamped": bool(one.stamp), "written": told, "wrong": wrong})
    elif told:
        name = "Head" if one.what == "record" else "Head of the stock"
        say(f"Written to {', '.join(told)}{', stamped' if one.stamp else ''}.")
        say(f"{name}: {one.number}:{one.sha256}")


def _stamped(one: Anchor, service: str, wrong: list[str]) -> Anchor:
    from capture.custody.stamps import StampError, ask_for_stamp

    need("stamps")
    try:
        return one.with_stamp(ask_for_stamp(service, one.stamped_text()))
    except StampError as error:
        wrong.append(f"not stamped, but written all the same: {error}")
        return one


def _wrote(name: str, write: Callable[[], None], wrong: list[str]) -> bool:
    from capture.custody.anchors import AnchorError

    try:
        write()
    except (AnchorError, ConnectionError) as error:
        wrong.append(f"not written to {name}: {error}")
        return False
    return True


def _print(command: tuple[str, ...], one: Anchor) -> None:
    from capture.custody.anchors import AnchorError

    try:
        done = subprocess.run(command, input=one.paper(), capture_output=True, text=True, timeout=_PRINTER_S)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise AnchorError(f"the command cannot be run or did not end: {error}") from error
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["it says nothing"])[-1]
        raise AnchorError(f"the command ended with {done.returncode}: {last}")


def _publish(broker: BrokerSettings, one: Anchor) -> None:
    from capture.mqtt.one_message import publish_retained
    from capture.mqtt.topics import anchor_topic

    topic = anchor_topic(one.bench, of_stock=one.what == "stock")
    asyncio.run(publish_retained(broker, topic, one.line(), who=f"the {one.what} of bench {one.bench}"))
