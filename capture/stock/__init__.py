"""The stock of selective parts: its file (TOML, for people) and its ledger (SQLite, for benches).

Which part goes into which pack is decided elsewhere; this package says what there is, and lets no part be promised
twice.
"""

from __future__ import annotations

from capture.stock.file import StockFile, load_stock, part_key, write_stock
from capture.stock.holdings import Bin, Holdings, MeasuredPart, Place, Reservation, StockError
from capture.stock.room import PieceWanted, StockRoom

__all__ = [
    "Bin",
    "Holdings",
    "MeasuredPart",
    "PieceWanted",
    "Place",
    "Reservation",
    "StockError",
    "StockFile",
    "StockRoom",
    "load_stock",
    "part_key",
    "write_stock",
]
