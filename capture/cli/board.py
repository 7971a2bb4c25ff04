"""The command of the supervisor: `board`, every bench at once, in a terminal or as a web page."""

from __future__ import annotations

import asyncio
import os
import sys
from typing import Annotated

import typer

from capture.cli.extras import need
from capture.cli.options import ConfigFile, Json, broker_settings, errors_in_words, fail


def board(
    broker: Annotated[str | None, typer.Option("--broker", help="mqtt://host:port or mqtts://host:port")] = None,
    web: Annotated[bool, typer.Option("--web", help="Serve it as a web page, read only.")] = False,
    listen: Annotated[
        str | None, typer.Option("--listen", metavar="ADDRESS:PORT", help="Where --web listens [127.0.0.1:8700].")
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
    if listen is not None and not web:
        fail("--listen is where --web listens; give --web as well", 2)
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
            asyncio.run(serve(settings, address, as_json=as_json))
        elif live and not as_json:
            from capture.board.run import run_terminal

            asyncio.run(run_terminal(settings))
        else:
            from capture.board.run import run_lines

            asyncio.run(run_lines(settings, as_json=as_json))
