"""Every recording under fixtures/ measures as it did, and as the simulated truth beside it says.

`NAME.jsonl` stands beside `NAME.expected.jsonl` (what `replay --json` prints) and, where it was simulated,
`NAME.truth.json`. A new instrument arrives as a recording and its expected output; after a change that is meant to
alter strokes, `python -m tests.strokes.test_golden` writes the expected files anew, and the difference is read.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from capture.output.json_forms import stroke_json
from capture.recordings.replay import Replay

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "recordings"
RECORDINGS = sorted(path for path in FOLDER.glob("*.jsonl") if not path.name.endswith(".expected.jsonl"))


def measured(path: Path) -> list[dict[str, Any]]:
    return [stroke_json(kept) for kept in Replay(path).strokes()]


def header_of(path: Path) -> dict[str, Any]:
    with path.open() as file:
        return json.loads(file.readline())


def expected_path(path: Path) -> Path:
    return path.with_name(path.name.removesuffix(".jsonl") + ".expected.jsonl")


def test_there_are_recordings_of_every_wire_form() -> None:
    from drivers.indicators.registry import driver_names

    forms = {header_of(path)["indicator"]["driver"] for path in RECORDINGS}
    assert forms == set(driver_names())


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_a_recording_measures_as_it_did(path: Path) -> None:
    wanted = [json.loads(line) for line in expected_path(path).read_text().splitlines()]
    assert measured(path) == wanted


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_a_recording_measures_as_the_truth_beside_it_says(path: Path) -> None:
    truth = json.loads(path.with_name(path.stem + ".truth.json").read_text())["strokes"]
    strokes = measured(path)
    assert len(strokes) == len(truth)
    resolution = {"line-20hz-mm-cushion": 20_000}.get(path.stem, 12_700)
    for found, true in zip(strokes, truth, strict=True):
        trouble = true["trouble"]
        if trouble is not None:
            assert trouble in found["flags"] or (trouble == "sparse" and "gap" in found["flags"]), found
        elif not any(one["trouble"] for one in truth):
            assert found["flags"] == []
        if found["accepted"] and trouble is None:
            # Within one display step (or the cushion's own return error) of the true travel: IEEE Std 181 speaks of
            # levels, and the level is what a perfect indicator of this resolution would show.
            assert abs(found["held_travel_nm"] - true["true_travel_nm"]) <= resolution


def test_the_picture_of_a_stroke_is_that_of_its_recording() -> None:
    from tests.support import draw_stroke

    path = FOLDER / "line-50hz-in-leak.jsonl"
    stroke = next(kept.stroke for kept in Replay(path).strokes() if "leak" in kept.stroke.flags)
    picture = FOLDER.parent / "pictures" / "stroke-leak.svg"
    assert picture.read_text() == draw_stroke.draw(path, stroke)


if __name__ == "__main__":
    for recording in RECORDINGS:
        text = "".join(json.dumps(line) + "\n" for line in measured(recording))
        expected_path(recording).write_text(text)
        sys.stdout.write(f"{expected_path(recording)}\n")
