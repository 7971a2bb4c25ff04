"""Freezes the present way of measuring under its number: `python -m tests.support.freeze_method`, once, at a release.

Writes `method-NUMBER.zip` beside `capture/strokes/methods/__init__.py`, its SHA-256 into FROZEN there, and
`tests/custody/method-NUMBER.golden.jsonl`: what it answers on the recordings of `fixtures/`, which it must answer for
good. Refuses where the newest frozen one gives the same answers, and where the number is taken.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import grimp

from capture.clearance.gauge.masters import load_masters
from capture.custody.derivation import Derivation, plain
from capture.custody.earlier_methods import FrozenMethod, MeasuringWay, archive_of
from capture.strokes.methods import FROZEN, METHOD

__all__ = ["archive", "asked_of", "golden_of", "main", "sha256_of"]

ROOT = Path(__file__).parents[2]
ENTRY = "capture.custody.derivation"
#: Packages whose modules are found by looking into them, not by being imported by name.
LOOKED_INTO = ("drivers.indicators", "drivers.wirings")
#: What never changes: the first release's sheet, masters and recordings.
KEPT = ROOT / "fixtures" / "releases" / "0.2.0"


def archive(root: Path = ROOT) -> bytes:
    """Return the archive of every module of this program that ENTRY reaches; the same bytes each time."""
    graph = grimp.build_graph("capture", "drivers", cache_dir=None, exclude_type_checking_imports=True)
    modules, new = set[str](), {ENTRY}
    new |= {name for package in LOOKED_INTO for name in graph.find_children(package)}
    while new:
        modules |= new
        packages = {parent for name in new if (parent := name.rpartition(".")[0])}
        new = packages.union(*(graph.find_modules_directly_imported_by(name) for name in new)) - modules
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as made:
        for name in sorted(modules):
            path = root / Path(*name.split("."))
            file = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
            made.writestr(zipfile.ZipInfo(file.relative_to(root).as_posix()), file.read_bytes(), zipfile.ZIP_DEFLATED)
    return written.getvalue()


def questions() -> Iterator[dict[str, Any]]:
    """Yield what a way of measuring is asked when it is frozen; recordings by their path below the repository."""
    first: dict[str, Any] = {"what": "check", "left_out": []}
    for path in sorted((ROOT / "fixtures" / "recordings").glob("*.jsonl")):
        if not path.name.endswith(".expected.jsonl"):
            yield {**first, "recording": path.relative_to(ROOT).as_posix(), "pack": "low"}
    kept = KEPT / "data" / "recordings"
    for path in sorted(kept.glob("job-*/*.jsonl")):
        for pack in ("low", "high"):
            yield {**first, "recording": path.relative_to(ROOT).as_posix(), "pack": pack, "left_out": [[4, 3]]}
    masters = [one.kept() for one in load_masters(KEPT / "masters.toml")]
    for path in sorted(kept.glob("gauges/*.jsonl")):
        yield {"what": "masters", "recording": path.relative_to(ROOT).as_posix(), "masters": masters}


def asked_of(way: MeasuringWay, question: dict[str, Any]) -> dict[str, Any]:
    """Return the answer to a question of `questions`, or of a golden file."""
    sheet = (KEPT / "sheet.toml").read_text(encoding="utf-8")
    answer = way.answer({**question, "recording": str(ROOT / question["recording"]), "sheet": sheet})
    if "refused" in answer:  # a path of this machine may stand in it
        answer = {**answer, "refused": answer["refused"][:2]}
    return answer


def sha256_of(question: dict[str, Any]) -> str:
    """Return the hash of a question's recording."""
    return hashlib.sha256((ROOT / question["recording"]).read_bytes()).hexdigest()


def golden_of(way: MeasuringWay) -> list[dict[str, Any]]:
    """Return every question with its recording's hash, and the answer."""
    lines: list[dict[str, Any]] = []

    def ask(question: dict[str, Any]) -> dict[str, Any]:
        answer = asked_of(way, plain(question))
        lines.append({"asked": plain(question), "sha256": sha256_of(question), "answer": answer})
        return answer

    for question in questions():
        answer = ask(question)
        if question["what"] == "check" and answer.get("verdict") is not None:
            strokes = answer["strokes"]
            counting = [one["n"] for one in strokes if one["accepted"] and not one["seat"]]
            indicator = read_header(ROOT / question["recording"])["indicator"]
            told = {"indicator": indicator, "gauge": None, "strokes": strokes, "left_out": counting[-1:]}
            ask({**question, "what": "left_out", **told})
    return lines


def read_header(recording: Path) -> dict[str, Any]:
    """Return the first line of a recording."""
    with recording.open(encoding="utf-8") as file:
        header: dict[str, Any] = json.loads(file.readline())
    return header


def main() -> None:
    """Freeze the present way."""
    if METHOD in FROZEN:
        sys.exit(f"method {METHOD} is frozen: give what measures otherwise the next number, METHOD = {METHOD + 1}")
    golden = golden_of(Derivation())
    if FROZEN:
        earlier = FrozenMethod(max(FROZEN))
        same = golden_of(earlier) == golden
        earlier.close()
        if same:
            sys.exit(f"method {METHOD} answers as method {max(FROZEN)} does: set METHOD = {max(FROZEN)}")
    written = archive()
    archive_of(METHOD).write_bytes(written)
    file = Path(archive_of(METHOD).parent) / "__init__.py"
    listed = {**FROZEN, METHOD: hashlib.sha256(written).hexdigest()}
    text = "".join(f'    {number}: "{sha256}",\n' for number, sha256 in sorted(listed.items()))
    file.write_text(
        re.sub(r"(FROZEN: Final\[dict\[int, str\]\] = )\{.*\}", rf"\1{{\n{text}}}", file.read_text(), flags=re.DOTALL),
        encoding="utf-8",
    )
    place = ROOT / "tests" / "custody" / f"method-{METHOD}.golden.jsonl"
    place.write_text("".join(json.dumps(line) + "\n" for line in golden), encoding="utf-8")


if __name__ == "__main__":
    main()
