"""Makes the view of a bench from its state, and nothing else does. What is drawn of it is the dashboard's matter.

Times are nanoseconds, lengths nanometres, as in the view.
"""

from __future__ import annotations

from typing import Any

from capture.bench.state import BenchState
from capture.clearance.stroke_by_stroke import HOW_TO, PUSH_AND_PULL, HowTo, Way, how_to_send
from capture.dashboard.view import BenchView, PackView
from capture.recordings.playback import PREFIX as RECORDED
from capture.sheet.sheet import Pack
from capture.unit.standing import UnitStanding
from capture.unit.words import signed_words
from drivers.units import format_length, places_of

#: A travel so many times as far as the sheet allows is rather a wrong unit or scale than a pack (common practice).
_FAR_OFF = 4


def fill_view(state: BenchState) -> BenchView:
    """Return what there is to show now. Pure."""
    setup, sheet, dial, unit = state.setup, state.setup.sheet, state.dial, state.unit
    packs = [_pack(state, pack.name) for pack in sheet.order()]
    broker = state.broker
    view = BenchView(
        bench=setup.bench,
        job=str(state.job_id or ""),
        unit_serial=state.unit_serial,
        technician=state.technician,
        sheet_name=f"{sheet.sheet.name} ({sheet.sheet.revision})",
        fitted=sheet.sheet.variant,
        display_unit=sheet.display_unit,
        pressure_unit=sheet.pressure_unit,
        packs=packs,
        air=sheet.air.text(sheet.pressure_unit) if sheet.air is not None else "",
        signed_off=signed_words(unit.standing.signed) if unit is not None and unit.standing.signed is not None else "",
        reading_nm=dial.reading_nm,
        reading_places=places_of(setup.settings.resolution, sheet.display_unit),
        offset_nm=dial.offset_nm,
        moving=dial.moving,
        at_press=dial.at_press,
        entry="" if setup.driver.typed else None,
        notices=tuple(notice.value for notice in dial.notices),
        trace=dial.trace,
        indicator=dial.link,
        silence=dial.silence,
        indicator_text=dial.text,
        broker=broker.link if broker is not None else "off" if setup.broker is None else "connecting",
        broker_waiting=broker.waiting if broker is not None else 0,
        broker_reason=broker.reason if broker is not None and broker.link == "down" else "",
        plant=state.plant[0] if setup.plant is not None else "off",
        plant_reason=state.plant[1] if setup.plant is not None else "",
        warning=state.warning,
        **_air(state),
        **_on_screen(state, packs),
    )
    view.message, view.then = _message(state, view), _then(state, view)
    return view


def _pack(state: BenchState, name: str) -> PackView:
    if state.running is not None and state.running.pack.name == name:
        return PackView(name, "measuring")
    verdict = state.unit.verdicts.get(name) if state.unit is not None else None
    if state.unit is None or verdict is None:
        return PackView(name, "waiting")
    return PackView(name, "done", verdict, state.unit.recheck.get(name, ""))


def _on_screen(state: BenchState, packs: list[PackView]) -> dict[str, Any]:
    """What there is to show of the pack on the screen."""
    doubts = state.unit.unexplained if state.unit is not None else {}
    if state.pack < 0:
        return {"doubt": " ".join(doubts.values())}
    pack, shown = state.packs[state.pack], packs[state.pack]
    told: dict[str, Any] = {
        "pack": state.pack,
        "low_nm": pack.low_nm,
        "high_nm": pack.high_nm,
        "preferred_nm": pack.preferred_nm,
        "strokes_wanted": pack.strokes,
        "seat_wanted": pack.seat_strokes,
        "measure": pack.measure,
        "moved_by": pack.moved_by,
        "strokes": state.strokes,
    }
    if state.running is not None:
        gone = [kept for kept in state.strokes if kept.left_out]
        left_out = "; ".join(f"stroke {kept.stroke.n} {kept.left_out}" for kept in gone)
        return {**told, "verdict": state.running.check.verdict, "left_out": f"{left_out}." if left_out else ""}
    told["advice"] = state.choice.texts(pack.name)
    if not shown.recheck:  # what no longer counts must not stand there in large letters
        doubt = f"{doubts.get(pack.name, '')} {_far_off(state, pack, shown)}".strip()
        told |= {"verdict": shown.verdict, "doubt": doubt}
        if state.unit is not None:
            told["left_out"] = state.unit.left_out.get(pack.name, "")
        if state.outcome is not None:
            told |= {"outcome": state.outcome.text, "as_predicted": state.outcome.as_predicted}
    return told


def _far_off(state: BenchState, pack: Pack, shown: PackView) -> str:
    """Ask about unit and scale where the travel is many times what the sheet allows; empty where it is not."""
    if shown.verdict is None or shown.verdict.mean_nm < _FAR_OFF * pack.high_nm:
        return ""
    unit = state.setup.sheet.display_unit
    return (
        f"The travel is {shown.verdict.mean_nm // pack.high_nm} times the greatest that the sheet allows "
        f"({format_length(pack.high_nm, unit)}). Hold the reading against the indicator's display: are unit and scale "
        "right?"
    )


def _air(state: BenchState) -> dict[str, Any]:
    """The valve and the air beside the travel."""
    if state.air is None:
        return {}
    safety = state.air.safety
    fixture = state.running.stream.fixture if state.running is not None else None
    held = fixture.held.words if fixture is not None and fixture.held is not None else ""
    return {
        "fixture": "up" if safety.fixture else "down" if state.air.port_text else "connecting",
        "pressure_pa": safety.pressure_pa,
        "valve_commanded": safety.valve_open,
        "valve_confirmed": safety.confirmed_open,
        "air_state": safety.state.value,
        "air_text": " ".join(text for text in (state.air.in_vain, safety.why_not()) if text) or held or state.air.said,
        "caution": "Hands clear: the air can come at any moment." if state.air.may_come else "",
    }


def _message(state: BenchState, view: BenchView) -> str:
    """The next thing to do, in words, as long as readings come."""
    unit, shown = state.unit, view.packs[state.pack] if state.pack >= 0 else None
    if view.signed_off:
        return f"{view.signed_off}. Enter: the next unit. q ends the session."
    if state.dial.link == "down" and state.setup.port.startswith(RECORDED):
        return "The recording has ended: q ends the session."
    if state.dial.link == "down" and not state.dial.was_open:
        return (
            "The port was not open yet: is it the right one? `strokelog listen` in another terminal lists what is "
            "plugged in. It is tried again and again."
        )
    if state.dial.link == "down":
        return "Release the air. Reconnect the indicator: measuring goes on by itself."
    if state.running is not None:
        return _with_air(state)
    if unit is None:
        back = state.earlier.words(state.unit_serial)
        if state.not_confirmed:
            return f"{back} {state.not_confirmed} Enter asks what is fitted, before the first check.".strip()
        first, why = _first(state, view.packs[0].name), "asks why it is back, and " if state.earlier else ""
        if state.unfinished or state.earlier:
            job = " a new job" if state.unfinished else ""
            return " ".join(f"{state.unfinished} {back} {first}Enter {why}begins{job}.".split())
        begins = f"{first}Enter begins the first check."
        return f"{back} {begins}".strip() if state.unit_serial else f"Scan the unit, or n to type it. {begins}"
    if shown is not None and shown.recheck:
        return f"Check {shown.name} again, seat strokes first: {shown.recheck}."
    if shown is not None and state.outcome is not None and not state.outcome.as_predicted:
        return f"Not as predicted: see RESULT before anything else is changed. Then check {shown.name} again (r)."
    if shown is None or shown.is_good:
        said = f"{shown.verdict.next_step} " if shown is not None and shown.verdict is not None else ""
        said = "In range, but see LOOK AT first. " if view.doubt and shown is not None else said
        return said + _what_is_next(state, view, unit)
    if state.ended_early:
        return "The check was ended before its verdict; its strokes are kept."
    return state.out_of_reach or (shown.verdict.next_step if shown.verdict is not None else "")


def _how_to(state: BenchState, way: Way) -> HowTo:
    """How the next stroke is made."""
    moved = state.running is not None and state.running.pack.moved_by == "hand"
    if not state.dial.at_press:
        return PUSH_AND_PULL if moved else HOW_TO[way]
    return how_to_send(_standing(state), "moved" if moved else way, state.setup.driver.typed)


def _standing(state: BenchState) -> str:
    """What the newest value was, for the check that runs: another's begins anew."""
    return state.running.stream.finder.state.value if state.running is not None else "unknown"


def _with_air(state: BenchState) -> str:
    """What there is to do for the running check: no stroke is asked for that cannot be made."""
    assert state.running is not None
    air, check = state.air, state.running.check
    if air is None or check.pack.moved_by == "hand":
        return check.next_step(_how_to(state, "by hand"))
    step = check.next_step(_how_to(state, air.setup.way))
    if air.may_come:
        return "Hands clear: the strokes follow by themselves. Press again to stop." if air.makes_strokes else step
    if why := air.fault_words():
        return f"No air: {why} Then arm it (a)."
    return f"Hands clear, then arm the air (a). {step}"


def _then(state: BenchState, view: BenchView) -> str:
    """What the verdict asks for, where the next thing to do is something else."""
    verdict = view.verdict
    if verdict is None or (state.dial.link != "down" and not state.out_of_reach):
        return ""
    # Where no part of the sheet reaches the range, "change a part" is no advice.
    no_part = state.dial.link != "down" and verdict.verdict in ("tight", "loose")
    return "Count the plates and measure the parts before others are fitted." if no_part else verdict.next_step


def _first(state: BenchState, pack: str) -> str:
    """What comes before a pack is measured and is not done, as a sentence; empty for nothing."""
    steps = state.first_words(pack)
    return f"Before {pack} comes {steps}: s signs it. Then " if steps else ""


def _what_is_next(state: BenchState, view: BenchView, unit: UnitStanding) -> str:
    left = next((shown for shown in view.packs if not shown.is_good), None)
    if left is not None:
        again = f"Check {left.name} again" if left.recheck else f"Go on to pack {left.name}"
        if first := _first(state, left.name):
            return f"{first}{again[0].lower()}{again[1:]}."
        return f"{again}: {left.recheck}." if left.recheck else f"{again}."
    known = len(unit.standing.remarks)
    asks = f", which asks to acknowledge {known} {'thing' if known == 1 else 'things'}" if known else ""
    if not unit.standing.open:
        return f"Every pack is good and every step is done: u signs the unit off{asks}."
    return f"Every pack is good. Now the steps (s), then the sign-off (u){asks}."
