"""The command of the supervisor: `board`, every bench at once, in a terminal or as a web page."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.extras import need
from capture.cli.options import ConfigFile, Json, broker_settings, errors_in_words, fail

if TYPE_CHECKING:
    from capture.board.run import Alerting
    from capture.config import Alerts, Shop


def board(
    broker: Annotated[str | None, typer.Option("--broker", help="mqtt://host:port or mqtts://host:port")] = None,
    web: Annotated[bool, typer.Option("--web", help="Serve it as a web page, read only.")] = False,
    listen: Annotated[
        str | None, typer.Option("--listen", metavar="ADDRESS:PORT", help="Where --web listens [127.0.0.1:8700].")
    ] = None,
    database: Annotated[
        str | None,
        typer.Option("--database", metavar="URL", help="With --web: what `collect` keeps, for the page /shop."),
    ] = None,
    as_json: Json = False,
    config: ConfigFile = None,
) -> None:
    """Show every bench: unit, pack, last travel, verdict, technician, and what needs a person.

    On a terminal it is a live screen (s sorts, n shows who needs a person, / finds, q ends); elsewhere one line for
    every change. The board only listens.
    """
    from capture.config import load_config

    with errors_in_words():
        settled = load_config(config)
    settings = broker_settings(broker, settled)
    if settings is None:
        fail("no broker; give one with --broker mqtt://HOST, or set `url` under [broker] in the settings file", 2)
    if database is not None and not web:
        fail("--database is for the page /shop of --web; give --web as well", 2)
    if listen is not None and not web:
        fail("--listen is where --web listens; give --web as well", 2)
    alerts = _alerting(settled.alerts, settled.data_dir)
    live = sys.stdout.isatty() and os.environ.get("TERM", "dumb") not in ("", "dumb", "unknown")
    with errors_in_words():
        if web:
            need("web")
            from capture.board.web import serve
            from capture.plumbing.web_pages import listen_address

            try:
                address = listen_address(listen or "127.0.0.1:8700")
            except ValueError as error:
                fail(f"--listen {error}", 2)
            second = None if database is None else _shop_page(database, settled.shop)
            asyncio.run(serve(settings, address, as_json=as_json, second=second, alerts=alerts))
        elif live and not as_json:
            from capture.board.run import run_terminal

            asyncio.run(run_terminal(settings))
        else:
            from capture.board.run import run_lines

            asyncio.run(run_lines(settings, as_json=as_json, alerts=alerts))


def _alerting(settings: Alerts, folder: Path) -> Alerting | None:
    """Return what tells needs to whoever does not look, None where the settings name nobody."""
    if not (settings.webhook or settings.topic):
        return None
    need("web")
    from capture.board.alert_sender import AlertSender
    from capture.board.alerts import AlertWatch
    from capture.board.run import local_now

    try:
        AlertWatch(settings.kinds, timedelta(seconds=settings.after_s))
    except ValueError as error:
        fail(f"the settings' [alerts] kinds: {error}", 2)
    return lambda floor, tell: AlertSender(settings, floor, folder / "alerts.json", tell, local_now).run()


def _shop_page(url: str, shop: Shop) -> Callable[[], str]:
    """Return what makes the page of the shop's statistics; what is wrong is on the page, since the board goes on."""
    need("paper")
    from capture.cli.shop import database_of
    from capture.collect.database import CollectError, DatabaseAway
    from capture.collect.statistics.read import shop_statistics
    from capture.report.letterhead import LetterheadError, letterhead
    from capture.report.page import shop_page
    from capture.report.shop_contents import ShopContents, shop_contents

    database = database_of(None, url)
    try:
        head = letterhead(shop.name, shop.logo)
    except LetterheadError as error:
        fail(str(error))

    def made() -> str:
        now = datetime.now(UTC)
        try:
            contents = shop_contents(shop_statistics(database), now)
        except (DatabaseAway, CollectError) as error:
            contents = ShopContents("How the shop works", f"The database cannot be read now: {error}", (), ())
        return shop_page(contents, now, head)

    return made
