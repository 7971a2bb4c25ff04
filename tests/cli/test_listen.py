"""`strokelog listen`: from an instrument of which nobody knows anything to its part of the settings file."""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.cli.print_listening import open_questions
from capture.config import load_config
from drivers.identify import HeardAtBaud, fits
from drivers.port_names import UsbAdapter, lasting_path, udev_rule
from drivers.reading import Reading

ROOT = Path(__file__).resolve().parents[2]
#: A plunger pushed by 0.04 in and let back, in half thousandths of an inch, over and over.
TRAVEL = [*range(0, 81), *[81] * 5, *range(80, 0, -1)]


@contextmanager
def instrument(send: Callable[[int], bytes] | None) -> Iterator[str]:
    """An instrument on a pseudo-terminal; yields its port. None sends nothing."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    over = threading.Event()

    def sending() -> None:
        n = 0
        while send is not None and not over.wait(0.001):
            with suppress(BlockingIOError):
                os.write(ours, send(TRAVEL[n % len(TRAVEL)]))
            n += 1

    thread = threading.Thread(target=sending)
    thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        over.set()
        thread.join()
        os.close(ours)
        os.close(theirs)


def bare_inches(n: int) -> bytes:
    return f"{n * 0.0005:+.4f}\r\n".encode()


def listened(*words: str) -> Result:
    return CliRunner().invoke(app, ["listen", *words, "--seconds", "0.5"])


def test_a_stream_that_names_no_unit_is_shown_with_its_digits_and_asked_about() -> None:
    with instrument(bare_inches) as port:
        done = listened(port)
    assert done.exit_code == 0
    assert f"listening at {port}, 9600 baud" in done.stderr
    assert "it names no unit: --set unit=in? or unit=mm?" in done.stdout
    # Its own four digits and no unit: "+0.0405" is shown as 0.0405, never as 0.041 mm.
    assert "0.0405, it names no unit" in done.stdout or "newest 0.0" in done.stdout
    assert " mm" not in done.stdout.split("[indicator]")[0].replace("unit=mm", "").replace("1.00 mm", "")
    assert '# unit = "in"  # or "mm"' in done.stdout and '# resolution = "0.0005 in"' in done.stdout


def test_once_the_unit_is_said_the_part_of_the_settings_file_is_whole_and_is_written(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    path.write_text('bench = "bench-4"')
    with instrument(bare_inches) as port:
        refused = listened(port, "--write", "--config", str(path))
        done = listened(port, "--set", "unit=in", "--write", "--config", str(path))
        again = listened(port, "--set", "unit=in", "--write", "--config", str(path))
    assert refused.exit_code == 2 and "say which its display shows" in refused.stderr
    assert done.exit_code == 0, done.output
    settled = load_config(path)
    assert (settled.bench, settled.indicator.driver, settled.indicator.port) == ("bench-4", "line", port)
    found = settled.indicator.driver_settings()
    assert (found["unit"], found["resolution"], found["baud"]) == ("in", "0.0005 in", 9600)
    assert again.exit_code == 1 and "has an [indicator] already" in again.stderr


def test_a_silent_port_is_told_of_at_once_and_says_what_to_look_for() -> None:
    with instrument(None) as port:
        done = listened(port, "--set", "baud=9600")
    assert done.exit_code == 1
    assert done.stderr.splitlines()[0].startswith(f"listening at {port}, 9600 baud")
    assert "nothing came: is it on?" in done.stderr and "polled-line" in done.stdout


def test_a_plunger_that_stands_still_is_told_apart_from_a_form_that_nobody_knows() -> None:
    with instrument(lambda n: b"+3.00 mm\r\n") as port:
        done = listened(port, "--set", "baud=9600")
    assert done.exit_code == 1 and "It stood still at 3.00 mm" in done.stdout and "No driver fits" not in done.stdout


def test_a_recording_is_listened_to_as_a_port_is() -> None:
    port = f"recording:{ROOT / 'fixtures/recordings/line-1000hz-mm-micron-short.jsonl'}"
    done = listened(port)
    assert done.exit_code == 0 and "line: " in done.stdout and 'driver = "line"' in done.stdout
    live = listened(port, "--driver", "line")
    assert live.exit_code == 0 and " mm" in live.stdout.splitlines()[-1]
    assert "cannot read nowhere.jsonl" in listened("recording:nowhere.jsonl").stderr


def heard(*lines: bytes) -> list[HeardAtBaud]:
    data = b"".join(lines)
    return [HeardAtBaud(9600, data, tuple(fits(data)))]


def test_what_stood_still_and_what_counts_are_doubts_that_say_how_to_settle_them() -> None:
    (still, *_) = [one for one in open_questions(heard(*[b"1.10 mm\r\n"] * 20)) if "stood still" in one]
    assert "stood still at 1.10 mm" in still
    counts = open_questions(heard(*(b"%d\r\n" % n for n in TRAVEL)))
    assert any("divide that by the counts" in one for one in counts)


def test_a_stream_that_two_drivers_explain_says_what_tells_them_apart() -> None:
    (one,) = heard(*(f"{n / 100:+.2f} mm\r\n".encode() for n in TRAVEL))
    leading = one.fits[0]
    rival = replace(leading, driver="word24", confidence=0.9, sample=(Reading(1_230_000, "mm"),))
    distant = replace(rival, driver="bcd13", confidence=0.3)
    told = open_questions([HeardAtBaud(9600, one.data, (leading, rival, distant))])
    assert told == [
        "It may be word24 as well: then the display shows 1.23 mm at the end, with line 0.01 mm. Hold them against it; "
        "--driver word24 shows it live."
    ]


def test_a_path_by_the_adapters_own_number_takes_the_place_of_one_that_may_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    (tmp_path / "by-id").mkdir()
    assert lasting_path(str(device), tmp_path / "by-id") == str(device)
    link = tmp_path / "by-id" / "usb-Converter_A50-if00-port0"
    link.symlink_to("../ttyUSB0")
    assert lasting_path(str(device), tmp_path / "by-id") == str(link)
    # A settings file is read from any folder.
    monkeypatch.chdir(device.parent)
    assert lasting_path(device.name, tmp_path / "none") == str(device)
    assert lasting_path("socket://127.0.0.1:4000", tmp_path / "by-id") == "socket://127.0.0.1:4000"


def test_a_udev_rule_matches_what_the_adapter_says_of_itself() -> None:
    """udev(7): matches are KEY=="value", assignments KEY+="value" and KEY="value", apart by commas."""
    rule = udev_rule(UsbAdapter(0x0403, 0x6001, "A50285BI"), "indicator")
    assert 'ATTRS{idVendor}=="0403"' in rule and 'ATTRS{idProduct}=="6001"' in rule
    assert 'ATTRS{serial}=="A50285BI"' in rule and rule.endswith('GROUP="dialout", MODE="0660"')
    assert "serial" not in udev_rule(UsbAdapter(0x0403, 0x6001, ""), "indicator")
    assert "serial" not in udev_rule(UsbAdapter(0x0403, 0x6001, 'A" RUN+="rm'), "indicator")


def test_a_port_that_is_no_adapter_has_no_rule() -> None:
    with instrument(None) as port:
        done = listened(port, "--udev")
    assert done.exit_code == 1 and "is no USB adapter" in done.stderr


@pytest.mark.parametrize("words", [["--write"], ["--udev"]])
def test_what_is_written_needs_a_port(words: list[str]) -> None:
    assert listened(*words).exit_code == 2
