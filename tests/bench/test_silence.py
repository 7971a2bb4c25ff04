"""When a display is not live: readings are waited for, not bytes."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from capture.bench.silence import SILENT_NS, Heard, told_of
from drivers.indicators.registry import find_driver
from drivers.reading import CUT_SHORT, Reading
from drivers.registry import make_settings

READING = Reading(300_000, "mm")
S = 1_000_000_000
LINE = find_driver("line")


def test_readings_end_a_silence_and_bytes_alone_do_not() -> None:
    heard = Heard(0)
    assert heard.take(1 * S, [READING], 9) and heard.silence(4 * S) == ""
    assert not heard.take(5 * S, [], 9) and heard.silence(5 * S) == "cannot be read"
    assert heard.take(6 * S, [READING], 9) and heard.silence(6 * S) == ""


def test_bytes_that_have_stopped_as_well_are_plain_silence() -> None:
    heard = Heard(0)
    heard.take(2 * S, [], 9)
    assert heard.silence(SILENT_NS + 1) == "cannot be read"
    assert heard.silence(6 * S) == "nothing comes"
    heard.opened(7 * S)
    assert heard.silence(9 * S) == "" and heard.silence(11 * S) == "nothing comes"


def test_a_reading_that_lost_digits_keeps_no_display_alive() -> None:
    heard = Heard(0)
    assert not heard.take(4 * S, [Reading(300_000, "mm", (CUT_SHORT,))], 9)
    assert heard.silence(4 * S) == "cannot be read"


def test_the_warning_says_how_long_not_to_apply_air_and_what_to_look_at() -> None:
    heard = Heard(0)
    assert heard.warning(SILENT_NS) == ""
    silent = heard.warning(5 * S)
    assert silent == (
        "No readings for 5 s. Do not apply air by this display: check that the indicator is on and sending."
    )
    heard.take(5 * S, [], 9)
    unreadable = heard.warning(5 * S)
    assert unreadable.startswith("No readings for 5 s. Do not apply air by this display: bytes come")
    assert told_of("") == "" and told_of("nothing comes") != told_of("cannot be read")


@given(st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=60))
def test_whatever_bytes_come_the_display_is_live_only_if_the_decoder_made_readings_of_them(chunks: list[bytes]) -> None:
    decoder, heard, newest = LINE.decoder(make_settings(LINE, {})), Heard(0), 0
    for n, chunk in enumerate(chunks, 1):
        readings = decoder.feed(chunk)
        heard.take(n * S, readings, len(chunk))
        newest = n * S if any(CUT_SHORT not in one.flags for one in readings) else newest
    assert (heard.silence(len(chunks) * S) == "") == (len(chunks) * S - newest <= SILENT_NS)


def test_an_indicator_that_sends_at_a_press_is_not_asked_for_readings_between_two() -> None:
    heard = Heard(0, at_press=True)
    heard.opened(1 * S)
    assert heard.silence(3_600 * S) == heard.warning(3_600 * S) == ""
    assert heard.take(3_601 * S, [READING], 9) and heard.silence(7_200 * S) == ""
    heard.take(7_200 * S, [], 1)  # the end of the line came by itself
    assert heard.silence(7_210 * S) == ""


def test_what_a_press_sent_and_nobody_can_read_is_said_until_one_can_be_read() -> None:
    heard = Heard(0, at_press=True)
    heard.take(10 * S, [], 9)
    assert heard.silence(10 * S) == ""  # the rest of it may be on its way
    assert heard.silence(11 * S) == "cannot be read"
    assert heard.warning(60 * S).startswith("What was sent cannot be read.") and "send it again" in heard.warning(
        60 * S
    )
    heard.take(61 * S, [READING], 9)
    assert heard.silence(70 * S) == ""
