"""What goes wrong on a bench must not hide a stroke, nor pass for one: streams of `tests/load/hard_streams.py`."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from capture.recordings.file import read_recording
from capture.recordings.stream import indicator_from
from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.machine import Notice, StrokeState
from drivers.reading import OUT_OF_RANGE, Reading
from tests.load import troubled_levels
from tests.load.damaged_bytes import RECORDINGS, damages
from tests.load.hard_streams import STROKES, TROUBLES, HardStream, Tally, draw, draw_unlike, found_in, tally
from tests.support.waveforms import Waveform

MM, SECOND = 1_000_000, 1_000_000_000
FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


def tallied(trouble: str, checks: int, seed: int = 11) -> Tally:
    result = Tally()
    for check in range(checks):
        stream = draw(trouble, np.random.default_rng([seed, TROUBLES.index(trouble), check]))
        tally(result, stream, found_in(stream)[0])
    return result


@pytest.mark.parametrize("by_inches", [0.005, 0.02, 0.06, 0.088, 0.12, 0.15, 0.2, 0.3])
@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("rate_hz", [10, 50])
def test_an_indicator_moved_between_strokes_loses_none_and_the_screen_says_so(
    by_inches: float, way: int, rate_hz: int
) -> None:
    wave = Waveform(rate_hz=rate_hz, noise_nm=3_000).rest(2).stroke(1.1 * MM, 1.5, 1.5).stroke(1.1 * MM, 1.5, 1)
    wave.rest_nm += round(way * by_inches * 25.4 * MM)
    wave.rest(1.2).stroke(1.1 * MM, 1.5, 1.5).stroke(1.1 * MM, 1.5, 1.5)
    finder = StrokeFinder(FinderSettings(10_000))
    found, said = [], set()
    for t_ns, reading in wave.samples:
        found += finder.feed(t_ns, [reading])
        said |= set(finder.notices)
    assert len(found) == 4 and finder.state is StrokeState.REST
    assert [stroke.peak_travel_nm for stroke in found] == pytest.approx([1.1 * MM] * 4, abs=12_000)
    assert [stroke.accepted for stroke in found] == [True] * 4
    assert said == {Notice.MOVED}
    assert finder.notices == ()


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("first_s", [0.4, 2.0, 6.0])
@pytest.mark.parametrize("rate_hz", [10, 20, 100])
def test_a_check_begun_with_the_air_on_by_hand_measures_no_rest_where_the_indicator_is_zeroed_at_rest(
    way: int, first_s: float, rate_hz: int
) -> None:
    wave = Waveform(rate_hz=rate_hz, noise_nm=3_000, rest_nm=0, direction=way, seed=round(rate_hz + 10 * first_s))
    wave.toward(1.1 * MM, first_s, 1e-9).toward(0, 1.1, 0.03)
    for _ in range(3):
        wave.stroke(1.1 * MM, 1.2, 1.6)
    finder = StrokeFinder(FinderSettings(10_000))
    found, said = [], set()
    for t_ns, reading in wave.samples:
        found += finder.feed(t_ns, [reading])
        said |= set(finder.notices)
    assert [stroke.released_nm for stroke in found] == pytest.approx([0] * 3, abs=10_000)
    assert [stroke.peak_travel_nm for stroke in found] == pytest.approx([1.1 * MM] * 3, abs=8_000)
    assert [stroke.accepted for stroke in found] == [True] * 3
    assert said == {Notice.AIR_WAS_ON} and finder.notices == ()


def test_no_rest_of_a_check_begun_with_the_air_on_is_measured_and_each_is_asked_about() -> None:
    result = Tally()
    for check in range(120):
        stream = draw("air on", np.random.default_rng([31, check]))
        found, said = found_in(stream)
        tally(result, stream, found)
        rest_nm = np.median([v for t, v in zip(stream.times_ns, stream.values_nm, strict=True) if _rests(stream, t)])
        for stroke in found:
            assert abs(stroke.released_nm - rest_nm) < stream.clearance_nm / 4
        assert Notice.AIR_WAS_ON in said
    assert (result.false, result.lost, result.off) == (0, 0, 0)


def test_however_unlike_apply_and_return_are_no_rest_is_measured_where_the_check_ends_with_the_air_off() -> None:
    for air_on in (True, False):
        result, asked = Tally(), 0
        for check in range(24):
            stream = draw_unlike(np.random.default_rng([71, air_on, check]), air_on)
            found, said = found_in(stream)
            tally(result, stream, found)
            asked += Notice.AIR_WAS_ON in said
        assert (result.false, result.lost, result.off) == (0, 0, 0), air_on
        assert air_on or asked <= 1  # a rest that ended two display steps from home, three times


@pytest.mark.parametrize("rate_hz", [10, 100])
def test_a_pack_that_comes_home_slowly_and_is_applied_before_it_is_there_is_measured_from_home(rate_hz: int) -> None:
    """After three time constants a twentieth of its travel is still to come."""
    wave = Waveform(rate_hz=rate_hz, noise_nm=1_000).rest(2)
    for _ in range(4):
        wave.toward(1.1 * MM, 1.2, 0.03).toward(0, 1.2, 0.4)
    found = wave.find()
    assert [stroke.released_nm for stroke in found] == pytest.approx([2 * MM] * 4, abs=3_000)
    assert [stroke.peak_travel_nm for stroke in found] == pytest.approx([1.1 * MM] * 4, abs=5_000)
    assert [stroke.flags for stroke in found] == [("base_moved",)] * 4


def _rests(stream: HardStream, t_ns: int) -> bool:
    return t_ns / SECOND > stream.strokes[-1][1] + 0.5


@pytest.mark.parametrize("fixture", [True, False])
def test_of_a_check_begun_at_rest_nobody_asks_whether_the_air_was_on(fixture: bool) -> None:
    for seed in range(6):
        wave, air = Waveform(rate_hz=20, noise_nm=2_000, seed=seed, rest_nm=(seed % 2) * MM).rest(2), []
        for _ in range(5):
            air.append((wave.samples[-1][0], True))
            wave.toward(1.1 * MM, 1.2 + 0.3 * seed, 0.03)
            air.append((wave.samples[-1][0] + 120_000_000, False))
            wave.toward(0, 1.0, 0.03)
        finder, found = StrokeFinder(FinderSettings(10_000)), []
        for t_ns, reading in wave.samples:
            while fixture and air and air[0][0] <= t_ns:
                finder.trigger(*air.pop(0))
            found += finder.feed(t_ns, [reading])
            assert finder.notices == ()
        assert [stroke.accepted for stroke in found] == [True] * 5


def test_by_hand_a_hold_that_outstays_all_others_is_asked_about() -> None:
    wave = Waveform(rate_hz=20).toward(1.1 * MM, 2, 1e-9).toward(0, 1.5, 0.03).stroke(1.1 * MM).stroke(1.1 * MM, 1, 7)
    finder = StrokeFinder(FinderSettings(10_000))
    for t_ns, reading in wave.samples:
        finder.feed(t_ns, [reading])
    assert finder.notices == (Notice.AIR_WAS_ON,)


def test_by_hand_strokes_that_come_home_to_ever_another_level_are_asked_about() -> None:
    wave = Waveform(rate_hz=50, resolution_nm=1_000).toward(1.1 * MM, 2, 1e-9).toward(0, 1.5, 0.03)
    for scatter_nm in (4_000, -6_000, 9_000, -2_000, 5_000):
        wave.stroke(1.1 * MM + scatter_nm, 1.2, 1.6)
    finder, said = StrokeFinder(FinderSettings(1_000)), set()
    for t_ns, reading in wave.samples:
        finder.feed(t_ns, [reading])
        said |= set(finder.notices)
    assert Notice.AIR_WAS_ON in said


def test_no_stroke_is_lost_and_none_invented_where_the_indicator_is_moved_at_any_time_between_strokes() -> None:
    result = tallied("moved", 40)
    assert (result.false, result.off) == (0, 0)
    assert result.lost <= result.strokes // 50  # moved twice within half a second, or just as the air comes


def test_vibration_that_a_stream_shows_as_a_slow_wave_is_no_first_stroke() -> None:
    result = Tally()
    for check in (22, 74, 146):  # near 50 Hz, shown 50 or 20 times a second: a wave of 60 um in a second or two
        stream = draw("vibration", np.random.default_rng([2, TROUBLES.index("vibration"), check]))
        tally(result, stream, found_in(stream)[0])
    assert result.false == 0


def test_noise_that_is_not_known_yet_when_it_leaves_rest_hides_none_of_the_strokes_after_it() -> None:
    check = troubled_levels.draw("no hold", np.random.default_rng([2, troubled_levels.TROUBLES.index("no hold"), 91]))
    assert len(troubled_levels.found_in(check)) == len(check.strokes)


def test_a_stand_that_wanders_or_vibrates_makes_no_strokes_and_the_screen_says_that_it_shakes() -> None:
    for trouble in ("wander", "vibration"):
        result = tallied(trouble, 50)
        assert result.false <= 1, trouble  # of 300 strokes; `tests.load.hard_streams` counts more
    shaking = 0
    for check in range(20):
        stream = draw("vibration", np.random.default_rng([12, check]))
        finder = StrokeFinder(FinderSettings(stream.resolution_nm))
        said = set()
        for t_ns, value in zip(stream.times_ns, stream.values_nm, strict=True):
            finder.feed(t_ns, [Reading(value, "mm")])
            said |= set(finder.notices)
        shaking += Notice.SHAKES in said
    assert shaking >= 19


def test_a_calm_bench_is_not_said_to_shake() -> None:
    wave = Waveform(rate_hz=20, noise_nm=3_000).rest(2).stroke(1.1 * MM, 1.5, 1.5).stroke(1.1 * MM, 1.5, 2)
    finder = StrokeFinder(FinderSettings(10_000))
    for t_ns, reading in wave.samples:
        finder.feed(t_ns, [reading])
        assert finder.notices == ()


def test_a_hold_too_short_for_a_slow_stream_is_a_stroke_that_does_not_count_or_is_said_to_be_lost() -> None:
    result = Tally()
    for check in range(40):
        stream = draw("brief", np.random.default_rng([13, check]))
        finder, found, said = StrokeFinder(FinderSettings(stream.resolution_nm)), [], set()
        for t_ns, value in zip(stream.times_ns, stream.values_nm, strict=True):
            found += finder.feed(t_ns, [Reading(value, "mm")])
            said |= set(finder.notices)
        tally(result, stream, found + finder.finish())
        assert len(found) >= STROKES - stream.unseen or Notice.UNSEEN in said
    assert result.false == result.counted == 0
    # A single reading that no other like it followed may be a wild one.
    assert result.lost <= result.strokes // 30


def test_air_that_a_fixture_gave_and_no_reading_saw_is_said_in_words() -> None:
    wave = Waveform(rate_hz=5).rest(3)
    finder = StrokeFinder(FinderSettings(10_000))
    for t_ns, reading in wave.samples:
        finder.feed(t_ns, [reading])
    at = wave.samples[-1][0]
    finder.trigger(at + 10_000_000, True)
    finder.trigger(at + 140_000_000, False)
    for t_ns, reading in wave.rest(2).samples:
        if t_ns > at:
            finder.feed(t_ns, [reading])
    assert finder.notices == (Notice.UNSEEN,)


def test_a_check_begun_while_a_fixture_gives_air_asks_about_it_and_measures_rests_as_rests() -> None:
    wave = Waveform(rate_hz=20)
    wave.toward(1.1 * MM, 3, 1e-9).rest(2)
    off_ns = round(3.0 * SECOND)
    triggers = [(0, True), (off_ns, False)]
    for _ in range(3):
        triggers.append((wave.samples[-1][0], True))
        wave.toward(1.1 * MM, 1.5, 0.03)
        triggers.append((wave.samples[-1][0], False))
        wave.toward(0, 1.5, 0.03)
    finder, found, asked = StrokeFinder(FinderSettings(10_000)), [], []
    for t_ns, reading in wave.samples:
        while triggers and triggers[0][0] <= t_ns:
            finder.trigger(*triggers.pop(0))
        found += finder.feed(t_ns, [reading])
        if Notice.AIR_ON in finder.notices:
            asked.append(t_ns)
    assert asked and max(asked) < off_ns
    assert finder.notices == ()
    assert [stroke.released_nm for stroke in found] == [2_000_000] * 3
    assert [stroke.accepted for stroke in found] == [True] * 3


def test_a_slow_return_that_the_next_apply_cuts_short_was_the_air_of_the_start_where_it_ends_near_zero() -> None:
    """By hand, zeroed at rest; what is still to come of the return is more than noise."""
    wave = Waveform(rate_hz=50, resolution_nm=1_000, noise_nm=300, rest_nm=0)
    wave.toward(1.6 * MM, 1.5, 1e-9).toward(0, 0.7, 0.15)
    for _ in range(4):
        wave.toward(1.6 * MM, 1.2, 0.02).toward(0, 1.4, 0.15)
    found = wave.find()
    assert len(found) == 4
    assert [stroke.peak_travel_nm for stroke in found[1:]] == pytest.approx([1.6 * MM] * 3, abs=2_000)


def test_what_is_pushed_by_hand_as_far_as_zero_and_turns_there_was_not_let_go_there() -> None:
    stream = draw("no hold", np.random.default_rng([9, TROUBLES.index("no hold"), 54]))
    found, _ = found_in(stream)
    assert [stroke.accepted for stroke in found] == [False] * len(stream.strokes)


def test_the_noise_of_a_hold_is_no_leak_where_the_rest_was_the_calmer() -> None:
    index = troubled_levels.TROUBLES.index("moved")
    found = troubled_levels.found_in(troubled_levels.draw("moved", np.random.default_rng([31, index, 29])))
    assert {stroke.fall_nm_per_s for stroke in found} == {0}


@pytest.mark.parametrize("name", RECORDINGS)
def test_a_damaged_byte_makes_no_stroke_takes_none_and_moves_no_level_unless_it_reads_like_others(name: str) -> None:
    """A share of what `tests.load.damaged_bytes` tries, from the first byte of the stream on."""
    every = 31 if name.startswith("word24") else 83
    result = damages(name, every=every)
    assert result.tried >= 40
    assert result.wrong == []
    assert 100 * result.untold <= result.tried


@pytest.mark.parametrize("kind", ["dropped", "inserted", "flipped"])
@pytest.mark.parametrize("at", range(9))
def test_three_byte_frames_are_found_again_whichever_of_the_first_bytes_is_damaged(kind: str, at: int) -> None:
    """Nothing marks where a frame starts: until one is right, the unit and the range of the settings must tell."""
    header, entries = read_recording(FIXTURES / "recordings" / "word24-10hz-in-clean.jsonl")
    data = b"".join(line.data for line in entries if line.source == "indicator")
    other = bytes([data[at] ^ 0x41])
    damaged = (
        data[:at] + {"dropped": b"", "inserted": other + data[at : at + 1], "flipped": other}[kind] + data[at + 1 :]
    )
    driver, settings, _ = indicator_from(header.indicator)
    values = []
    for some in (data, damaged):
        decoder = driver.decoder(settings)
        values.append([reading.value_nm for reading in (*decoder.feed(some), *decoder.finish())])
    assert values[1][-100:] == values[0][-100:]
    assert sum(value not in values[0] for value in values[1]) <= 2


def test_a_digit_that_was_damaged_at_rest_or_at_the_end_of_a_hold_moves_no_level() -> None:
    """A reading four display steps from its neighbours, where nothing else is noisy."""
    for place_s in (1.0, 1.8, 2.9, 3.4, 4.4):
        wave = Waveform(rate_hz=10).rest(2).stroke(1.1 * MM, 1.6, 2).stroke(1.1 * MM, 1.6, 1)
        before = [stroke.peak_travel_nm for stroke in wave.find()]
        at = round(place_s * 10)
        t_ns, reading = wave.samples[at]
        wave.samples[at] = t_ns, reading._replace(value_nm=reading.value_nm + 40_000)
        assert [stroke.peak_travel_nm for stroke in wave.find()] == pytest.approx(before, abs=1_000)


@pytest.mark.parametrize("steps", [1, 2, -3])
def test_one_reading_that_differs_from_all_others_of_a_calm_display_moves_a_level_by_a_tenth_of_a_step(
    steps: int,
) -> None:
    for place_s in (1.3, 2.6, 3.1, 3.8, 3.9, 4.4):
        wave = Waveform(rate_hz=10).rest(2).stroke(1.1 * MM, 1.6, 2).stroke(1.1 * MM, 1.6, 1)
        before = [stroke.peak_travel_nm for stroke in wave.find()]
        at = round(place_s * 10)
        t_ns, reading = wave.samples[at]
        wave.samples[at] = t_ns, reading._replace(value_nm=reading.value_nm + steps * 10_000)
        assert [stroke.peak_travel_nm for stroke in wave.find()] == pytest.approx(before, abs=1_000), place_s


def test_digits_that_the_display_cannot_show_are_set_aside_and_said() -> None:
    """A display of 0.0005 in shows no 0.1518 in."""
    wave = (
        Waveform(rate_hz=10, resolution_nm=12_700, unit="in").rest(2).stroke(1.27 * MM, 1.6, 2).stroke(1.27 * MM, 1, 2)
    )
    before = wave.find()
    t_ns, reading = wave.samples[28]
    wave.samples[28] = t_ns, reading._replace(value_nm=reading.value_nm + 4 * 2_540)
    after = wave.find()
    assert [stroke.flags for stroke in after] == [("glitch",), ()]
    assert [stroke.peak_travel_nm for stroke in after] == [stroke.peak_travel_nm for stroke in before]


def test_a_value_that_no_plunger_of_its_range_can_show_is_passed_over() -> None:
    wave = Waveform(rate_hz=10).rest(1).wild(-300 * MM).rest(1).stroke(1.1 * MM, 1.5, 1.5).stroke(1.1 * MM, 1.5, 1)
    wave.samples[10] = wave.samples[10][0], wave.samples[10][1]._replace(flags=(OUT_OF_RANGE,))
    found = wave.find(plunger_range=(0, 12_700_000))
    assert [(stroke.released_nm, stroke.flags) for stroke in found] == [(2_000_000, ())] * 2


def test_the_first_stroke_that_one_reading_showed_is_a_row_once_another_like_it_has_come() -> None:
    wave = Waveform(rate_hz=6).rest(2)
    for _ in range(3):
        wave.sample(1.1 * MM)
        wave.rest(1.5)
    found = wave.find()
    assert [stroke.n for stroke in found] == [1, 2, 3]
    assert [(stroke.flags, stroke.accepted) for stroke in found] == [(("short_hold", "sparse"), False)] * 3
    assert [stroke.start_ns for stroke in found] == sorted(stroke.start_ns for stroke in found)


def test_a_small_pack_in_noise_begun_with_the_air_on_is_measured_from_its_first_release_by_where_it_ends() -> None:
    """Where it stands at the end is told by a few readings, which noise of a fifteenth of the travel moves."""
    for seed in range(16):
        draw_s = random.Random(seed)
        wave = Waveform(rate_hz=10, resolution_nm=10_000, noise_nm=17_000, seed=seed)
        wave.toward(0.26 * MM, draw_s.uniform(0.6, 1.5), 1e-9).toward(0, draw_s.uniform(1.2, 2), 0.03)
        for _ in range(5):
            wave.stroke(0.26 * MM, draw_s.uniform(0.8, 2), draw_s.uniform(1.2, 2))
        finder = StrokeFinder(FinderSettings(10_000))
        for t_ns, reading in wave.samples:
            finder.feed(t_ns, [reading])
        finder.ends_by_itself()
        assert finder.air_was_on_until_ns is not None, seed


def test_one_reading_too_large_at_rest_moves_no_stroke_that_follows() -> None:
    """A digit more, in the noise of a micrometre display: what the stand was taken to drift by told it from nothing."""
    header, entries = read_recording(FIXTURES / "recordings" / "counts-50hz-mm-micron.jsonl")
    driver, settings, _ = indicator_from(header.indicator)
    sent = [(line.t_ns, line.data) for line in entries if line.source == "indicator"]

    def levels(damaged: int, data: bytes) -> list[int]:
        decoder, finder, found = driver.decoder(settings), StrokeFinder(FinderSettings(settings.resolution_nm)), []
        for at, (t_ns, as_sent) in enumerate(sent):
            found += finder.feed(t_ns, decoder.feed(data if at == damaged else as_sent))
        return [stroke.peak_travel_nm for stroke in (*found, *finder.finish())]

    as_sent = levels(-1, b"")
    for at, data in (
        (3, b"+3020\r\n"),
        (7, b"+3\r001\r\n"),
        (47, b"+3020\r\n"),
        (167, b"+3004\r\n"),
        (343, b"+3004\r\n"),
    ):
        assert levels(at, data) == pytest.approx(as_sent, abs=settings.resolution_nm // 10), at
