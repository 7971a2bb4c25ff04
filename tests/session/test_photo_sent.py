"""A photo that a page sends: into the record by what it is and by whose name, or refused with nothing left behind."""

from __future__ import annotations

from pathlib import Path

from capture.custody.verify import verify
from capture.job.photo_files import COMING, LARGEST_PHOTO
from capture.session.faces.messages import PhotoSent
from capture.unit.facts import PhotoKept
from tests.job.test_next_unit import ESCAPE, bench_at, job, shown, signed, typed
from tests.job.test_photos import camera_photo


async def test_what_a_page_sent_is_kept_by_what_it_is_or_leaves_nothing(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    picture = camera_photo(tmp_path / "drum.jpg", 60, 20)
    coming = data / COMING
    async with bench_at(tmp_path) as (bench, controls):

        async def sends(what: bytes | None, **more: str) -> str:
            if what is not None:
                coming.write_bytes(what)
            await controls.photo(PhotoSent(name="drum.png", by="Ana", **more))
            assert not coming.exists()
            return controls.said

        assert "begin with a check" in await sends(picture)
        await bench.start_check(0)
        assert "Photo of low kept by Ana: drum.png" in await sends(picture, pack="low")  # a check may run meanwhile
        await bench.end_check()
        for what, why in (
            (b"GIF89a not one of them", "drum.png is neither a JPEG nor a PNG picture by its first bytes"),
            (picture + bytes(LARGEST_PHOTO), "drum.png has more than 10 MB"),
            (None, "cannot read the photo drum.png"),
        ):
            assert why in await sends(what)
        assert "'clutch'" in await sends(b"\x89PNG\r\n\x1a\n", pack="clutch")
        await typed(controls.take, "w")
        coming.write_bytes(picture)
        await controls.photo(PhotoSent(name="", by="Ana"))
        assert "Photo kept by Ana" in shown(controls)  # on whatever screen is open
        await typed(controls.take, ESCAPE, ESCAPE)
        signed(data, 1)
        await bench.look()
        assert "No photo was kept" in await sends(b"\xff\xd8\xff another")
    (kept,) = (data / "photos").iterdir()  # the same bytes are kept once
    assert [one.fact for one in job(data, 1).facts if isinstance(one.fact, PhotoKept)] == [
        PhotoKept(kept.stem, len(picture), "jpeg", name, "Ana", pack)
        for name, pack in (("drum.png", "low"), (COMING, None))
    ]
    assert verify(data / "record.sqlite").photos == 2
