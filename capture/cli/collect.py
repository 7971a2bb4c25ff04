"""The command `collect`: what the benches of one or many shops publish, into one database."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.extras import need
from capture.cli.options import ConfigFile, Json, fail
from capture.plumbing.outward import write

if TYPE_CHECKING:
    from capture.collect import CollectSettings, Counts, Event
    from capture.collect.events import BrokenRecord, Upkeep

_COUNTS_EVERY_S = 60


def collect(
    broker: Annotated[
        list[str] | None,
        typer.Option("--broker", help="mqtt://host:port or mqtts://host:port; may be repeated."),
    ] = None,
    prefix: Annotated[
        list[str] | None,
        typer.Option("--prefix", help="What a bridge puts before the benches' topics, such as north or +; repeatable."),
    ] = None,
    database: Annotated[
        str | None,
        typer.Option(
            "--database", help="An SQLAlchemy URL without a password: sqlite:///FILE, postgresql://user@host/db"
        ),
    ] = None,
    share: Annotated[
        str | None, typer.Option("--share", metavar="GROUP", help="Share the load with the collectors of this group.")
    ] = None,
    name: Annotated[
        str | None,
        typer.Option("--name", help="What the brokers know this collector by; the host's name if not given."),
    ] = None,
    take_over_session: Annotated[
        bool,
        typer.Option(
            "--take-over-session",
            help="What the brokers keep for this collector's name is for this database, though it is new to them.",
        ),
    ] = False,
    leave: Annotated[
        bool,
        typer.Option("--leave", help="Take what the brokers still hold for this collector, then be forgotten by them."),
    ] = False,
    standby: Annotated[
        bool,
        typer.Option(
            "--standby",
            help="Wait while another collector of this name is at work, and take over when it has been silent for 6 s.",
        ),
    ] = False,
    as_json: Json = False,
    config: ConfigFile = None,
) -> None:
    """Collect strokes, verdicts, statuses and how units stand from brokers into a database, each message once.

    Runs until it is told to stop (Ctrl-C, SIGTERM). A broker or a database that is away is waited for.
    Brokers keep messages for a collector that is away, for its --name: end one for good with --leave.
    """
    from capture.collect import load_settings
    from capture.collect.database import CollectError
    from capture.config import ConfigError

    if prefix and not broker:
        fail("--prefix belongs to --broker; in the settings file each of [[brokers]] has its own `prefixes`", 2)
    if leave and standby:
        fail("--leave takes what is left now, and --standby waits for another; give one of them", 2)
    try:
        settings = load_settings(
            config,
            brokers=broker or [],
            prefixes=prefix or [],
            database=database,
            share=share,
            name=name,
            take_over_session=take_over_session,
        )
    except ConfigError as error:
        fail(str(error), 2)
    if settings.database.address.get_backend_name() == "postgresql":
        need("postgres")
    try:
        asyncio.run(_collect(settings, as_json, leave=leave, standby=standby))
    except CollectError as error:
        fail(str(error))


async def _collect(settings: CollectSettings, as_json: bool, *, leave: bool, standby: bool) -> None:
    from capture.collect import Collector, Counts
    from capture.collect.events import BrokenRecord, Upkeep
    from capture.plumbing.sd_notify import notify_service, watchdog

    def line(text: str) -> None:
        write(f"{text}\n")

    def on_event(event: Event) -> None:
        if isinstance(event, Counts):
            return  # told at intervals and at the end
        if isinstance(event, BrokenRecord):
            line(_json_of(event) if as_json else _broken_in_words(event))
            return
        if isinstance(event, Upkeep):
            line(_json_of(event) if as_json else upkeep_in_words(event))
            return
        words = _json_of(event) if as_json else f"{event.what} {event.where}: {event.state}"
        line(words if as_json or not event.reason else f"{words}: {event.reason}")
        notify_service(f"STATUS={event.what} {event.where} {event.state}")

    async def tell_counts() -> None:
        told = Counts()
        while True:
            await asyncio.sleep(_COUNTS_EVERY_S)
            if collector.total != told:
                told = collector.total
                line(_json_of(told) if as_json else _counts_in_words(told))

    collector = Collector(settings, on_event, leave=leave, standby=standby)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, collector.stop)
    notify_service("READY=1")
    beside = [asyncio.create_task(watchdog(lambda: True)), asyncio.create_task(tell_counts())]
    try:
        await collector.run()
    finally:
        notify_service("STOPPING=1")
        for task in beside:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        line(_json_of(collector.total) if as_json else _counts_in_words(collector.total))


def _json_of(event: Event) -> str:
    import json
    from dataclasses import asdict

    from capture.collect import Counts
    from capture.collect.events import BrokenRecord, Upkeep

    kinds = {Counts: "counts", BrokenRecord: "broken_record", Upkeep: "upkeep"}
    return json.dumps({"type": kinds.get(type(event), "link"), **asdict(event)}, ensure_ascii=False)


def _broken_in_words(event: BrokenRecord) -> str:
    bench = f"bench {event.bench}" + (f" of shop {event.shop}" if event.shop else "")
    return f"RECORD BROKEN, {bench}: {event.why}; `strokelog record verify --against` at the bench says where"


def upkeep_in_words(done: Upkeep) -> str:
    """Say what was done to the database's months, on one line."""
    return done.needs or (
        f"months of tables: {done.made} made, {done.dropped} dropped; {done.deleted} older messages deleted"
    )


def _counts_in_words(total: Counts) -> str:
    return (
        f"committed: {total.strokes} strokes, {total.verdicts} verdicts, {total.statuses} statuses, "
        f"{total.units} words on units; "
        f"{total.repeated} were there already, {total.refused} were no messages"
    )
