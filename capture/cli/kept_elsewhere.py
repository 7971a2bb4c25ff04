"""What was kept of a record outside its bench, for `record verify`: a file of anchors, and a collector's database."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from capture.cli.options import fail, many

if TYPE_CHECKING:
    from capture.custody.anchors import Anchor, Misdated, Stamped
    from capture.custody.verify_messages import Told

#: So many entries whose times are in doubt are told one by one.
MOST_TOLD: Final = 3


class Anchored:
    """The heads of a file of anchors, and what stamps say of times."""

    def __init__(self, record: Path, file: Path | None, authority: Path | None) -> None:
        from capture.cli.extras import need
        from capture.custody.anchors import AnchorError, Stamped, anchors_of, check_stamps, misdated_anchors
        from capture.record import Store

        self.heads: list[tuple[int, str]] = []
        self._stamped: list[Stamped] = []
        self._times: list[Stamped] = []
        self._wrong: list[str] = []
        self._unchecked = 0
        self._newest: Anchor | None = None
        if file is None:
            if authority is not None:
                fail("--authority: is of the stamps in a file of anchors; give that with --anchors", 2)
            return
        with Store.open_to_read(record) as store:
            benches = store.benches()
        try:
            anchors = anchors_of(file, benches)
            self.heads = [(one.number, one.sha256) for one in anchors]
            self._newest = max(anchors, key=lambda one: one.number)
            if authority is not None:
                need("stamps")
                self._stamped = check_stamps(anchors, authority)
                if not self._stamped:
                    fail(f"--authority {authority}: no anchor in {file} is stamped")
        except AnchorError as error:
            fail(f"--anchors: {error}")
        told = {one.number for one in self._stamped}
        self._times = [
            *self._stamped,
            *(Stamped(one.number, one.at, "written down") for one in anchors if one.number not in told),
        ]
        self._wrong = misdated_anchors(anchors, self._stamped)
        self._unchecked = sum(bool(one.stamp) for one in anchors) - len(self._stamped)

    def misdated(self, record: Path) -> list[Misdated]:
        """Return the entries whose times the stamps, or the anchors' own times, contradict."""
        from capture.custody.anchors import misdated
        from capture.record import Store

        with Store.open_to_read(record) as store:
            return misdated(store, self._times)

    def lines(self, doubtful: list[Misdated], entries: int) -> list[str]:
        """Return what was proven of a record of so many entries, in words."""
        if self._newest is None:
            return []
        since = entries - self._newest.number
        lines = [
            f"Proven against {many(len(self.heads), 'anchor')}, the newest of entry {self._newest.number}, written "
            f"down at {self._newest.at:%Y-%m-%d %H:%M} UTC."
            + (f" Since then, on the chain alone: {many(since, 'entry')}." if since else "")
        ]
        if self._stamped:
            newest = max(self._stamped, key=lambda one: one.at)
            lines.append(
                f"{many(len(self._stamped), 'stamp')} checked; the newest is of {newest.at:%Y-%m-%d %H:%M} UTC: all "
                f"up to entry {newest.number} was there then."
            )
        if self._unchecked:
            lines.append(f"{many(self._unchecked, 'stamp')} not checked: name the authority's with --authority.")
        lines += [f"TIMES IN DOUBT: {text}" for text in self._wrong[:MOST_TOLD]]
        lines += [f"TIMES IN DOUBT: {one.text()}" for one in doubtful[:MOST_TOLD]]
        if len(doubtful) > MOST_TOLD:
            lines.append(f"TIMES IN DOUBT: and {many(len(doubtful) - MOST_TOLD, 'more entry')}")
        return lines

    def json(self, doubtful: list[Misdated]) -> dict[str, Any]:
        """Return the same as fields of the proof's line."""
        return {
            "anchors": len(self.heads),
            "anchored_up_to": None if self._newest is None else self._newest.number,
            "stamps": len(self._stamped),
            "stamps_not_checked": self._unchecked,
            "misdated": [one.entry for one in doubtful],
            "misdated_anchors": self._wrong,
        }


def collected(
    record: Path, database: str, password_file: Path | None
) -> tuple[list[tuple[int, str]], Iterator[Told], list[tuple[int, datetime, datetime]]]:
    """Return what was collected of the record's benches: the heads, the messages, and the heads that came too early."""
    from pydantic import ValidationError

    from capture.cli.extras import need
    from capture.collect import DatabaseSettings
    from capture.collect.database import CollectError, DatabaseAway
    from capture.collect.heads import collected_heads, collected_too_early
    from capture.collect.told import collected_messages
    from capture.custody.anchors import CLOCKS_APART
    from capture.plumbing.wrong_values import wrong_values
    from capture.record import Store

    with Store.open_to_read(record) as store:
        benches = store.benches()
    try:
        settings = DatabaseSettings(url=database, password_file=password_file)
        if settings.address.get_backend_name() == "postgresql":
            need("postgres")
        heads, early = collected_heads(settings, benches), collected_too_early(settings, benches, CLOCKS_APART)
    except ValidationError as error:
        fail(f"--against {database}: {'; '.join(wrong_values(error))}", 2)
    except (CollectError, DatabaseAway) as error:
        fail(f"--against {database}: {error}")
    if not heads:
        fail(
            f"--against {database}: no head of {', '.join(benches) or 'any bench'} was collected there, so nothing can "
            "be proven against it"
        )
    return heads, collected_messages(settings, benches), early
