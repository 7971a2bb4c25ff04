"""The command `stock verify`: the stock's ledger walked, and every row held against it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from capture.cli.options import ConfigFile, Json, errors_in_words, fail, head_option
from capture.cli.stock import StockPath, stock_at
from capture.plumbing.outward import say, say_json
from capture.plumbing.plaintext import clean


def verify(
    expect: Annotated[
        str | None,
        typer.Option("--expect", metavar="NUMBER:HASH", help="A head written down earlier, which must still be there."),
    ] = None,
    anchors: Annotated[
        Path | None, typer.Option("--anchors", help="The lines that `record anchor` wrote, whose heads must be there.")
    ] = None,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
) -> None:
    """Prove the stock: walk its chain, and hold every bin, measured part and movement against it.

    Exit code 0 if all is proven, 1 if not, naming the first thing that does not match. Changes nothing.
    """
    from capture.custody.anchors import AnchorError, anchors_of
    from capture.record import Mismatch
    from capture.stock import StockError
    from capture.stock.walk import walk_stock

    heads = [found] if (found := head_option(expect)) is not None else []
    with errors_in_words():
        path, _ = stock_at(stock, config)
        try:
            if anchors is not None:
                heads += [(one.number, one.sha256) for one in anchors_of(anchors, None, "stock")]
            walked = walk_stock(path, heads)
        except AnchorError as error:
            fail(f"--anchors: {error}")
        except StockError as error:
            fail(str(error))
        except Mismatch as error:
            if as_json:
                told = {"entry": error.entry, "what": error.what, "expected": error.expected, "found": error.found}
                say_json({"type": "stock_proof", "proven": False, **told})
            else:
                say(clean(f"NOT PROVEN. The first thing that does not match: {error}"))
            raise typer.Exit(1) from error
    number, sha256 = walked.head
    if as_json:
        head = {"number": number, "sha256": sha256} if number else None
        counts = {"movements": walked.movements, "taken_over": walked.taken_over, "heads": len(heads)}
        say_json({"type": "stock_proof", "proven": True, **counts, "head": head})
        return
    say(f"PROVEN: {number} entries in the chain of the stock, {walked.movements} movements.")
    if walked.taken_over:
        say(f"{walked.taken_over} rows were there before it had a chain: what was changed before then cannot be seen.")
    if heads:
        say(f"Proven against heads written down: {len(heads)}, the newest of entry {max(heads)[0]}.")
    say(f"Head: {number}:{sha256}")
