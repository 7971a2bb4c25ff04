"""Backing a record up while a bench writes it, and putting it back: the record, the stock, and the recordings.

manifest.py   what a backup says of itself: the files it is made of, and the head of the chain in it
sources.py    what there is to back up: consistent copies of the databases, and the recordings the record refers to
folder.py     a backup as a folder, which is brought up to date by copying what is new
archive.py    a backup as one file
restore.py    either of them into a new data folder
"""

from __future__ import annotations

from capture.custody.backup.archive import back_up_to_archive, is_archive
from capture.custody.backup.folder import back_up_to_folder
from capture.custody.backup.manifest import BackupError
from capture.custody.backup.restore import Restored, restore
from capture.custody.backup.sources import Made

__all__ = ["BackupError", "Made", "Restored", "back_up_to_archive", "back_up_to_folder", "is_archive", "restore"]
