"""In which order packs are checked: as a technician's keys say, or one after the other; and what came of it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from capture.clearance.verdict import Verdict
from capture.dashboard.view import PackView
from capture.output.words import plain_line
from capture.session.session import Session

EXIT_GOOD = 0
#: Everything was measured, and not every pack is good.
EXIT_NOT_GOOD = 3


def _is_good(verdict: Verdict | None) -> bool:
    return verdict is not None and verdict.verdict == "good"


async def attended(session: Session) -> int:
    """A service, at which technicians come and go: whoever is there names the unit, then a key begins."""
    await session.leave.wait()
    return EXIT_GOOD if session.all_done() else EXIT_NOT_GOOD


async def by_hand(session: Session) -> int:
    """A technician with a keyboard: the first pack of a new job begins at once, then the keys say what is next.

    A key must begin it where the unit has an unfinished job or was signed off before, or a step comes before its first
    pack; where the sheet has variants, it is asked first which is fitted.
    """
    state = session.bench.state
    asks = state.unfinished or state.first_steps(state.packs[0].name)
    if state.not_confirmed:
        await session.controls.ask_what_is_fitted()
    elif session.bench.unit is None and not asks and not state.earlier:
        await session.bench.start_check(0)
    await session.leave.wait()
    return EXIT_GOOD if session.all_done() else EXIT_NOT_GOOD


def in_order(packs: list[int]) -> Callable[[Session], Awaitable[int]]:
    """Nobody at a keyboard: measure these packs one after the other, once each, and end. Only what is fitted, where
    the sheet has variants, must be said on a screen of the bench."""

    async def conduct(session: Session) -> int:
        if session.bench.state.not_confirmed:
            bench = session.bench.setup.bench
            session.warn(f"what is fitted must be said first, on a screen: strokelog run --bench {bench}", "")
            await session.controls.ask_what_is_fitted()
            await session.leave.wait()
            return EXIT_NOT_GOOD
        if session.bench.state.unfinished and session.bench.unit is None:
            session.controls.say(f"{session.bench.state.unfinished} A new job was begun.")
        earlier = session.bench.state.earlier
        if earlier and session.bench.unit is None:
            by = session.bench.state.technician or "nobody at a keyboard"
            why = "not asked: measured without a keyboard"
            await session.bench.write([earlier.fact(by, why)])
        for index in packs:
            pack = session.bench.state.packs[index].name
            if steps := session.bench.state.first_words(pack):
                session.warn(f"{steps} comes before {pack}, and is not done; it is measured all the same.", pack)
            await session.check_to_verdict(index)
        done = [session.bench.view.packs[index].verdict for index in packs]
        return EXIT_GOOD if all(_is_good(verdict) for verdict in done) else EXIT_NOT_GOOD

    return conduct


def summary(session: Session, begun_with: str = "") -> list[str]:
    """Return what a technician wants to read after the screen is gone: each pack's verdict, and where it is kept.

    `begun_with` are the options that the command to go on must have again.
    """
    bench = session.bench
    if not bench.state.job_id:
        return ["Nothing was measured."]
    job_id, view = bench.state.job_id, bench.view
    lines = [_pack_word(session, pack) for pack in view.packs]
    if view.signed_off:
        lines.append(f"{view.signed_off}.")
    else:
        again = f"--resume {job_id} {begun_with}".rstrip()
        lines.append(f"Not signed off. Go on: strokelog run {again}, or strokelog unit steps {job_id}")
    lines.append(f"Job {job_id} in {bench.setup.record_path}: strokelog show {job_id}")
    return lines


def _pack_word(session: Session, pack: PackView) -> str:
    if pack.verdict is None:
        return f"{pack.name}: no verdict"
    line = plain_line(pack.verdict, session.bench.setup.sheet.display_unit, pack.name)
    return f"{line} RE-CHECK NEEDED: {pack.recheck}." if pack.recheck else line
