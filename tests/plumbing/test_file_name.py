"""Whatever a bench or a pack is called, its files have names that a file system takes, and no two share one."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from capture.plumbing.file_name import file_name


def test_a_plain_name_is_read_in_the_file_s_name() -> None:
    assert file_name("Prüfstand 3") == "Prüfstand 3" and file_name("C1/C2 forward") == "C1%2FC2 forward"
    assert file_name(".hidden") == "%2Ehidden" and file_name("") == "%" and file_name("%") == "%25"


def test_the_longest_name_is_a_file_too(tmp_path: Path) -> None:
    names = ["ü" * 4_000, "ü" * 4_001, "\U00020000" * 300, "a/" * 300]
    for name in names:
        (tmp_path / f"20260310T093000-{file_name(name)}-abcdef.jsonl.zst").touch(exist_ok=False)
    assert len(list(tmp_path.iterdir())) == len(names)


@given(st.lists(st.text(), min_size=2, max_size=2, unique=True))
def test_two_names_make_two_files(names: list[str]) -> None:
    one, other = map(file_name, names)
    assert one != other
    for made in (one, other):
        assert made == Path(made).name and len(made.encode()) <= 160 and not made.startswith(".")
