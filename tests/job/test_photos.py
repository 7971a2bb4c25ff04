"""A photo of a unit: taken by what it is, kept by its hash, proven, backed up, never pruned, and on the report.

How a JPEG begins: ISO/IEC 10918-1 (SOI, FF D8, then a marker FF); a PNG: ISO/IEC 15948, 5.2. The tag that says how a
camera was held: Exif 2.3 (JEITA CP-3451C), Orientation, 0x0112. Hashes are held against GNU `sha256sum`.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.custody.backup import back_up_to_archive, back_up_to_folder, restore
from capture.custody.backup.sources import Source
from capture.custody.retention import Policy, keep_by_policy
from capture.custody.verify import verify
from capture.job.photo_files import LARGEST_PHOTO
from capture.record import Store, audit
from capture.record.ledger import append
from capture.report.page import page
from capture.report.writing import gather
from capture.unit.facts import Correction, PhotoKept, SignedOff
from tests.support.attacked_record import only_elsewhere
from tests.support.proven_record import AT, forge, open_job

ORIENTATION, MAKE, TURNED_RIGHT = 0x0112, 0x010F, 6


def camera_photo(file: Path, width: int = 1200, height: int = 400) -> bytes:
    """A photo as a camera on its side writes it: red at the left of its bytes, which is the top of what was seen."""
    picture = Image.new("RGB", (width, height), "blue")
    picture.paste("red", (0, 0, width // 2, height))
    told = Image.Exif()
    told[ORIENTATION], told[MAKE] = TURNED_RIGHT, "the camera of A. Person"
    picture.save(file, "JPEG", exif=told)
    return file.read_bytes()


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A data folder with one job, and a photo beside it."""
    folder = tmp_path / "data"
    folder.mkdir()
    with Store.open(folder / "record.sqlite") as store:
        open_job(store, 0, AT)
    camera_photo(tmp_path / "drum.jpg")
    return folder


def command(home: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--data-dir", str(home)], env={"COLUMNS": "200"})


def keep(home: Path, name: str = "drum.jpg", *words: str) -> Result:
    return command(home, "unit", "photo", "1", str(home.parent / name), "--by", "Aino", *words)


def kept(home: Path) -> list[Path]:
    return sorted((home / "photos").glob("*")) if (home / "photos").exists() else []


def shown(html: str) -> list[Image.Image]:
    parts = html.split('class="photo"')[1:]
    return [
        Image.open(io.BytesIO(base64.b64decode(part.split("base64,")[1].split('"')[0])))
        for part in parts
        if "base64," in part
    ]


def test_a_photo_is_kept_by_its_hash_shown_and_proven(home: Path) -> None:
    assert keep(home, "drum.jpg", "--pack", "low").exit_code == 0
    (file,) = kept(home)
    taken = home.parent / "drum.jpg"
    theirs = subprocess.run(["sha256sum", taken], check=True, capture_output=True, text=True)
    assert file.name == f"{theirs.stdout.split()[0]}.jpg" and file.read_bytes() == taken.read_bytes()
    said = command(home, "show", "1").output
    assert "photo of low kept by Aino: drum.jpg" in said and f"photos/{file.name}" in " ".join(said.split())
    (told,) = [one for line in command(home, "show", "1", "--json").output.splitlines() for one in facts(line)]
    assert told["type"] == "photo_kept" and told["sha256"] == file.stem and told["path"] == f"photos/{file.name}"
    proof = command(home, "record", "verify")
    assert proof.exit_code == 0 and "And 1 photo, by the SHA-256 of each." in proof.output


def facts(line: str) -> list[dict[str, object]]:
    told = json.loads(line)
    return list(told.get("facts", []))


def test_the_same_photo_of_the_unit_and_of_a_pack_is_one_file(home: Path) -> None:
    assert keep(home).exit_code == 0 and keep(home, "drum.jpg", "--pack", "high").exit_code == 0
    assert len(kept(home)) == 1 and verify(home / "record.sqlite").photos == 2


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("drum.jpg", b"GIF89a not what its name says", "neither a JPEG nor a PNG"),
        ("empty.png", b"", "neither a JPEG nor a PNG"),
        ("large.jpg", b"\xff\xd8\xff".ljust(LARGEST_PHOTO + 1, b"\0"), "more than 10 MB"),
    ],
)
def test_what_is_no_photo_or_too_large_is_refused_and_leaves_nothing(
    home: Path, name: str, data: bytes, said: str
) -> None:
    (home.parent / name).write_bytes(data)
    done = keep(home, name)
    assert done.exit_code == 1 and said in done.output and "Nothing was written" in done.output
    assert kept(home) == [] and verify(home / "record.sqlite").head[0] == 1


def test_a_photo_of_the_largest_size_is_taken_by_its_first_bytes_whatever_its_name(home: Path) -> None:
    (home.parent / "drum.txt").write_bytes(b"\x89PNG\r\n\x1a\n".ljust(LARGEST_PHOTO, b"\0"))
    assert keep(home, "drum.txt").exit_code == 0
    assert [one.suffix for one in kept(home)] == [".png"]


def test_a_pipe_a_folder_and_a_file_that_is_not_there_are_refused_at_once(home: Path) -> None:
    os.mkfifo(home.parent / "pipe.jpg")
    for name, said in (("pipe.jpg", "no plain file"), ("data", "cannot read"), ("none.jpg", "No such file")):
        done = keep(home, name)
        assert done.exit_code == 1 and said in done.output, name
    assert kept(home) == []


def test_a_photo_of_no_pack_or_by_nobody_is_refused_and_leaves_no_file(home: Path) -> None:
    done = keep(home, "drum.jpg", "--pack", "clutch")
    assert done.exit_code == 1 and "clutch" in done.output
    done = command(home, "unit", "photo", "1", str(home.parent / "drum.jpg"), "--by", " ")
    assert done.exit_code == 1 and "nobody's name" in done.output
    assert kept(home) == [] and verify(home / "record.sqlite").head[0] == 1


def lose(file: Path) -> None:
    file.unlink()


def change(file: Path) -> None:
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 1
    file.write_bytes(data)


def grow(file: Path) -> None:
    file.write_bytes(file.read_bytes() + b"\0")


@pytest.mark.attack("a photo's file replaced")
@pytest.mark.parametrize("harm", [lose, change, grow])
def test_a_photo_that_is_missing_or_changed_is_named_and_not_shown(home: Path, harm: Callable[[Path], None]) -> None:
    assert keep(home).exit_code == 0
    (file,) = kept(home)
    harm(file)
    proof = command(home, "record", "verify")
    assert proof.exit_code == 1 and f"photo {file}" in proof.output and "Job 1, entry 2" in proof.output
    found, again = gather(home / "record.sqlite", 1)
    (part,) = found.photos
    assert again.mismatch is not None and part.shown == "" and part.said.head == "Photo not shown"
    assert str(file) in part.said.text


@pytest.mark.attack("a photo's file replaced")
def test_another_photo_under_the_name_of_its_own_hash_is_found_by_a_head_alone(home: Path) -> None:
    assert keep(home).exit_code == 0
    record, (file,) = home / "record.sqlite", kept(home)
    head, other = audit(record).head, camera_photo(home.parent / "other.jpg", 900)
    file.unlink()
    sha256 = hashlib.sha256(other).hexdigest()
    (home / "photos" / f"{sha256}.jpg").write_bytes(other)
    forge(record, 2, sha256=sha256, size_bytes=len(other))
    assert "as it was written down" in only_elsewhere(record, [head])


def test_an_entry_that_names_a_file_elsewhere_is_no_photo(home: Path) -> None:
    body = {"sha256": "../../elsewhere", "size_bytes": 1, "form": "png", "name": "x", "by": "y", "pack": None}
    with Store.open(home / "record.sqlite") as store, store._writing("tamper") as connection:
        append(connection, "photo_kept", {"job": 1, **body}, "2026-03-02T07:31:00+00:00")
    assert "the body of the entry" in str(verify(home / "record.sqlite").mismatch)


def test_the_report_has_the_photo_upright_scaled_and_without_what_the_camera_wrote(home: Path) -> None:
    assert keep(home, "drum.jpg", "--pack", "low").exit_code == 0
    found, proof = gather(home / "record.sqlite", 1)
    (picture,) = shown(page(found))
    assert proof.mismatch is None and picture.size == (333, 1000) and not picture.getexif()
    top, bottom = picture.convert("RGB").getpixel((160, 50)), picture.convert("RGB").getpixel((160, 950))
    assert isinstance(top, tuple) and isinstance(bottom, tuple) and top[0] > 200 and bottom[2] > 200
    assert "photo of low kept by Aino: drum.jpg" in page(found)


def test_without_a_library_for_pictures_the_photo_is_embedded_as_it_is(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert keep(home).exit_code == 0
    monkeypatch.setitem(sys.modules, "PIL", None)
    (part,) = gather(home / "record.sqlite", 1)[0].photos
    taken = base64.b64encode((home.parent / "drum.jpg").read_bytes()).decode()
    assert part.shown == f"data:image/jpeg;base64,{taken}"


def test_bytes_that_only_begin_like_a_picture_are_proven_and_said_not_to_be_one(home: Path) -> None:
    (home.parent / "drum.jpg").write_bytes(b"\xff\xd8\xff\xe0 and no more")
    assert keep(home).exit_code == 0
    found, proof = gather(home / "record.sqlite", 1)
    assert proof.mismatch is None and "no picture that can be drawn" in found.photos[0].said.text


@pytest.mark.parametrize("place", ["backup", "backup.tar.gz"])
def test_a_backup_has_the_photos_and_puts_them_back(home: Path, place: str) -> None:
    assert keep(home).exit_code == 0 and keep(home, "drum.jpg", "--pack", "low").exit_code == 0
    source, to = Source(home / "record.sqlite", None), home.parent / place
    if place == "backup":
        back_up_to_folder(source, to, at=AT)
        (copy,) = (to / "photos").glob("*")
        change(copy)  # a backup that went bad mends with the next one
        assert back_up_to_folder(source, to, at=AT).copied == 1
        assert back_up_to_folder(source, to, at=AT).copied == 0 and len(list((to / "photos").glob("*"))) == 1
    else:
        assert back_up_to_archive(source, to, at=AT).copied == 1
    restore(to, home.parent / "again")
    assert [one.name for one in kept(home.parent / "again")] == [one.name for one in kept(home)]
    assert verify(home.parent / "again" / "record.sqlite").photos == 2


def test_a_backup_names_a_photo_that_was_lost_or_altered(home: Path) -> None:
    assert keep(home).exit_code == 0
    (file,) = kept(home)
    change(file)
    source = Source(home / "record.sqlite", None)
    assert back_up_to_archive(source, home.parent / "1.tar", at=AT).altered == (f"photos/{file.name}",)
    lose(file)
    assert back_up_to_archive(source, home.parent / "2.tar", at=AT).missing == (f"photos/{file.name}",)


def test_no_policy_removes_a_photo_and_a_sign_off_closes_the_job_to_more(home: Path) -> None:
    assert keep(home).exit_code == 0
    (home / "recordings").mkdir()
    with Store.open(home / "record.sqlite") as store:
        store.close_job(1, at=AT + timedelta(minutes=1))
        store.add_fact(1, SignedOff("foreman", "ready"), at=AT + timedelta(minutes=2))
    assert keep(home).exit_code == 1
    policy = Policy(compress_after_days=0, prune_after_days=0, prune_unsigned_after_days=0, keep_newest_jobs=0)
    assert list(keep_by_policy(home / "record.sqlite", policy, at=AT + timedelta(days=4000))) == []
    assert len(kept(home)) == 1 and verify(home / "record.sqlite").mismatch is None


def test_a_correction_of_a_photo_stands_on_the_report(home: Path) -> None:
    assert keep(home).exit_code == 0
    with Store.open(home / "record.sqlite") as store:
        assert isinstance(store.job(1).facts[0].fact, PhotoKept)
        store.add_fact(1, Correction(2, "foreman", "the wrong unit", "of FW3-002"), at=AT + timedelta(minutes=3))
    assert "the wrong unit" in str(gather(home / "record.sqlite", 1)[0].finishing.told)
