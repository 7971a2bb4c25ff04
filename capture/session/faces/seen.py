"""What one face sees of what its bench shows: with what it may do itself, and nothing old for new. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from capture.dashboard.showing import Showing
from capture.session.faces.messages import FaceStanding

#: A bench's process that says nothing for so long hangs: it says something every second.
SILENT_NS: Final = 3_000_000_000


def seen(shown: Showing, place: FaceStanding, silent_ns: int) -> Showing:
    """Return what a face draws that stands so, and has heard nothing for `silent_ns`."""
    view = replace(shown.view)
    if not place.has_keys:
        told = {"asked": f"{place.holder} is asked for the keys. ", "kept": f"{place.holder} keeps the keys. "}
        holder = f"{place.holder} has the keys. " if place.holder else "Nobody has the keys. "
        view.looking = f"{told.get(place.asks, holder)}  k ask for them   q leave"
    if place.asked_by:
        view.asked = (
            f"{place.asked_by} asks for the keys: k gives them, any other key keeps them. Without a key they are "
            f"given in {place.answer_s} s."
        )
    if silent_ns > SILENT_NS:
        view.reading_nm = view.offset_nm = None
        view.moving, view.silence = "unknown", "nothing comes"
        view.warning = (
            f"The process that measures does not answer for {silent_ns // 1_000_000_000} s. Do not apply air by this "
            "display."
        )
    return replace(shown, view=view)
