"""Whether a unit that comes to a bench has a job that nobody signed off, in words: a new job knows nothing of the parts
changed and the verdicts given in that one. Reads the record, decides nothing."""

from __future__ import annotations

from capture.record import Job, Store

_NAMED = 3


def unfinished(store: Store, unit_serial: str, bench: str) -> str:
    """Return what a technician at `bench` must know before a new job of this unit; empty where there is nothing.

    Raises RecordError.
    """
    if not unit_serial.strip():
        return ""
    ids = store.unsigned_jobs(unit_serial)
    if not ids:
        return ""
    job = store.job(ids[0])
    where = "" if job.bench == bench else f" --bench '{job.bench}'"
    others = ", ".join(str(one) for one in ids[1 : 1 + _NAMED])
    more = f" and {len(ids) - 1 - _NAMED} more" if len(ids) > 1 + _NAMED else ""
    besides = f" Not signed off either: {others}{more}." if others else ""
    return (
        f"Unit {unit_serial} has an unfinished job, {job.id} ({_packs(job)}; not signed off). "
        f"To go on with it: strokelog run --resume {job.id}{where}.{besides}"
    )


def _packs(job: Job) -> str:
    """The newest verdict on each pack that was checked."""
    words: dict[str, str] = {}
    for check in job.checks:
        if check.verdict is not None:
            words[check.pack] = check.verdict.verdict.verdict
        else:
            words.setdefault(check.pack, "no verdict")
    return ", ".join(f"{pack} {word}" for pack, word in words.items()) or "nothing checked"
