"""The command `health`: is all well with a bench, a board or a collector? For a person, and for a monitoring."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from capture.cli.extras import need
from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, fail
from capture.plumbing.outward import say, say_json

#: Where systemd puts what a bench's service keeps (StateDirectory=).
_STATE = Path("/var/lib/strokelog")

if TYPE_CHECKING:
    from capture.output.health_points import Health


def health(
    of: Annotated[
        Literal["bench", "board", "collector"], typer.Argument(metavar="[bench|board|collector]", help="Of what.")
    ] = "bench",
    bench: Annotated[str | None, typer.Option("--bench", help="The bench; that of the settings if not given.")] = None,
    must_run: Annotated[
        bool, typer.Option("--must-run", help="A bench at which nothing measures now is not well: it is a service.")
    ] = False,
    listen: Annotated[
        str, typer.Option("--listen", metavar="ADDRESS:PORT", help="Where the board listens.")
    ] = "127.0.0.1:8700",
    database: Annotated[
        str | None, typer.Option("--database", metavar="URL", help="What the collector keeps; as `collect` takes it.")
    ] = None,
    metrics: Annotated[
        Path | None, typer.Option("--metrics", metavar="FILE", help="Write it there too, as OpenMetrics text.")
    ] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Say whether all is well. Exit code 0 if so, 1 if something needs a person, 2 if it could not be looked at.

    It changes nothing, takes no keys, and opens no port. FILE is either the one before or whole.
    """
    with errors_in_words():
        if of == "board":
            looked = _of_board(listen)
        elif of == "collector":
            looked = _of_collector(config, database)
        else:
            looked = _of_bench(config, data_dir, bench, must_run)
    if metrics is not None:
        _write(metrics, looked)
    if as_json:
        from capture.output.health_points import health_json

        say_json(health_json(looked))
    else:
        from capture.output.health_points import health_lines

        for line in health_lines(looked):
            say(line)
    raise typer.Exit(0 if looked.well else 1)


def _of_bench(config: Path | None, data_dir: Path | None, bench: str | None, must_run: bool) -> Health:
    from capture.config import ConfigError, load_config
    from capture.plumbing.file_name import file_name
    from capture.session.bench_health import bench_health

    try:
        settled = load_config(config)
    except ConfigError as error:
        fail(str(error), 2)
    name, folder = bench or settled.bench, data_dir or settled.data_dir
    # A service's process answers elsewhere than this user's; with another record it is another bench of that name.
    service = data_dir is None or folder.absolute() == _STATE / file_name(name)
    return bench_health(settled, name, folder, datetime.now(UTC), service=service, must_run=must_run)


def _of_board(listen: str) -> Health:
    need("web")
    from capture.board.board_health import board_health
    from capture.plumbing.web_pages import listen_address

    try:
        address = listen_address(listen)
    except ValueError as error:
        fail(f"--listen {error}", 2)
    return board_health(address, datetime.now(UTC))


def _of_collector(config: Path | None, database: str | None) -> Health:
    from capture.collect.collector_health import collector_health
    from capture.collect.settings import load_database
    from capture.config import ConfigError

    try:
        settings = load_database(config, database)
    except ConfigError as error:
        fail(str(error), 2)
    if settings.address.get_backend_name() == "postgresql":
        need("postgres")
    return collector_health(settings, datetime.now(UTC))


def _write(path: Path, looked: Health) -> None:
    from capture.output.open_metrics import open_metrics
    from capture.plumbing.durable import written

    try:
        with written(path) as file:
            file.write(open_metrics(looked).encode())
    except OSError as error:
        fail(f"cannot write {path}: {error.strerror or error}", 2)
