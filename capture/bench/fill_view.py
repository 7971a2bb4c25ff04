"""Fills the view of a bench from what happens there. What is drawn of it is the dashboard's matter; nothing is decided.

Times are nanoseconds, lengths nanometres, as in the view.
"""

from __future__ import annotations

from collections.abc import Sequence

from capture.air.control import AirControl
from capture.bench.setup import BenchSetup
from capture.bench.silence import Silence
from capture.clearance.verdict import Verdict
from capture.dashboard.view import BenchView, PackView
from capture.recordings.stream import IndicatorStream
from capture.sheet.sheet import Pack
from capture.strokes.machine import StrokeState
from capture.unit.changes import Outcome
from capture.unit.offers import Choice
from capture.unit.standing import UnitStanding

__all__ = [
    "new_view",
    "show_air",
    "show_check",
    "show_no_reading",
    "show_readings",
    "show_silence",
    "show_unit",
    "show_verdict",
]


def new_view(setup: BenchSetup) -> BenchView:
    """Return the view of a bench at which nothing has happened yet."""
    sheet = setup.sheet
    return BenchView(
        bench=setup.bench,
        unit_serial=setup.unit_serial,
        technician=setup.technician,
        sheet_name=f"{sheet.sheet.name} ({sheet.sheet.revision})",
        display_unit=sheet.display_unit,
        packs=[PackView(pack.name, "waiting") for pack in sheet.order()],
        air=sheet.air.text(sheet.display_unit) if sheet.air is not None else "",
        indicator_text=f"{setup.port}, {setup.driver.name}",
        broker="off" if setup.broker is None else "connecting",
        fixture="off" if setup.fixture is None else "connecting",
    )


def show_check(view: BenchView, index: int, pack: Pack, message: str) -> None:
    """A check of a pack begins."""
    view.pack = index
    view.packs[index].state, view.packs[index].verdict, view.packs[index].stale = "measuring", None, ""
    view.low_nm, view.high_nm, view.preferred_nm = pack.low_nm, pack.high_nm, pack.preferred_nm
    view.strokes_wanted, view.seat_wanted, view.measure = pack.strokes, pack.seat_strokes, pack.measure
    view.strokes, view.verdict, view.advice, view.outcome = [], None, [], ""
    view.doubt = ""
    view.trace.clear()
    view.message = message


def show_readings(view: BenchView, stream: IndicatorStream, t_ns: int, values: Sequence[int]) -> None:
    """Readings came, at `t_ns` on the clock of the trace."""
    if not values:
        return
    view.reading_nm = values[-1]
    view.moving = stream.finder.state.value
    view.offset_nm = stream.finder.offset(values[-1])
    if stream.finder.state is not StrokeState.STARTING:
        # A terminal shows a few hundred points; a burst of a fast stream is thinned to its newest.
        view.trace.extend((t_ns, stream.finder.offset(value) or 0) for value in values[-16:])


def show_no_reading(view: BenchView) -> None:
    """There is no reading now: an old one must not stand there as if the pack were seen."""
    view.reading_nm = view.offset_nm = None
    view.moving = "unknown"


def show_silence(view: BenchView, silence: Silence) -> None:
    """No reading comes through the open port, or readings come again where `silence` is empty."""
    view.silence = silence
    if silence:
        show_no_reading(view)


def show_verdict(view: BenchView, verdict: Verdict, outcome: Outcome | None, out_of_reach: str) -> None:
    """The pack being measured has its verdict; how the unit then stands is shown by `show_unit`."""
    pack = view.packs[view.pack]
    view.verdict = pack.verdict = verdict
    pack.state, pack.stale = "done", ""
    view.outcome = outcome.text if outcome is not None else ""
    view.as_predicted = outcome is None or outcome.as_predicted
    view.message = out_of_reach or verdict.next_step


def show_unit(view: BenchView, now: UnitStanding, choice: Choice) -> None:
    """How the unit stands, and what may be changed in the pack on the screen."""
    for shown in view.packs:
        if shown.state != "measuring":
            shown.verdict = now.verdicts.get(shown.name, shown.verdict)
            shown.stale = now.stale.get(shown.name, "")
            shown.state = "waiting" if shown.verdict is None else "done"
    signed = now.standing.signed
    view.signed_off = signed.fact.by if signed is not None else ""
    on_screen = view.packs[view.pack] if view.pack >= 0 else None
    if on_screen is not None and on_screen.state != "measuring":
        view.advice = choice.texts(on_screen.name)
        if on_screen.stale:
            # What no longer counts must not stand there in large letters.
            view.verdict, view.outcome, view.doubt = None, "", ""
            view.message = f"Check {on_screen.name} again, seat strokes first: {on_screen.stale}."
        else:
            view.verdict, view.doubt = on_screen.verdict, now.unexplained.get(on_screen.name, "")
    elif on_screen is None:
        view.doubt = " ".join(now.unexplained.values())
    measuring = any(shown.state == "measuring" for shown in view.packs)
    if view.signed_off:
        view.message = f"Signed off by {view.signed_off}. q ends the session."
    elif not measuring and (on_screen is None or on_screen.is_good):
        said = f"{view.verdict.next_step} " if view.verdict is not None else ""
        view.message = said + _what_is_next(view, now)


def _what_is_next(view: BenchView, now: UnitStanding) -> str:
    left = next((shown for shown in view.packs if not shown.is_good), None)
    if left is not None:
        again = f"Check {left.name} again" if left.stale else f"Go on to pack {left.name}"
        return f"{again}: {left.stale}." if left.stale else f"{again}."
    known = len(now.standing.remarks)
    asks = f", which asks to acknowledge {known} {'thing' if known == 1 else 'things'}" if known else ""
    if not now.standing.open:
        return f"Every pack is good and every step is done: u signs the unit off{asks}."
    return f"Every pack is good. Now the steps (s), then the sign-off (u){asks}."


def show_air(view: BenchView, air: AirControl, held: str) -> None:
    """The valve and the air beside the travel; `held` says what the newest hold was like."""
    safety = air.safety
    view.fixture = "up" if safety.fixture else "down"
    view.pressure_pa = safety.pressure_pa
    view.valve_commanded, view.valve_confirmed = safety.valve_open, safety.confirmed_open
    view.air_state = safety.state.value
    view.air_text = safety.why_not() or held or air.said
    hot = view.air_state in ("armed", "applied")
    view.caution = "Hands clear: the air can come at any moment." if hot else ""
