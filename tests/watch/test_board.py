"""What the screen shows: medians at rest, reference, best, better and worse; nothing from a glitch."""

from __future__ import annotations

import asyncio

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.formatted_text import fragment_list_to_text
from prompt_toolkit.input import DummyInput
from prompt_toolkit.output import DummyOutput

from listen.watch.screen import app
from listen.watch.screen.board import Board, Shown
from listen.watch.screen.drawing import HELP, Around, draw, number
from listen.watch.types import Arisen, Cleared, IntervalReading, LostTime, Reading


def reading(time_s: float, *, state: str = "steady", thd: float | None = 0.5, hz: float | None = 440.0, **values):
    wave = {"level_dbfs": -9.0, "h2_dbc": -48.0, "h3_dbc": -54.0, "crest_positive": 0.99, "crest_negative": 0.99}
    return Reading(
        time_s=time_s, heard_s=time_s + 0.04, f0_hz=hz, cents=0.0 if hz else None, thd_percent=thd, state=state,
        f0_sigma_cents=0.01, peak_fs=0.35, **(wave | values),
    )  # fmt: skip


def rest(board: Board, start_s: float, seconds: float = 1.0, **values) -> float:
    for i in range(round(seconds / 0.05)):
        board.take(reading(start_s + 0.05 * i, **values))
    return start_s + seconds


def text(board: Board, width: int = 60, height: int = 30, *, joined: bool = False, **around) -> str:
    """The screen; ``joined``: as one line of words, so that a sentence may be wrapped anywhere."""
    lines = draw(board, Around(**around), width, height)
    return " ".join(" ".join(lines).split()) if joined else "\n".join(lines)


def test_a_number_at_rest_is_the_median_of_half_a_second():
    board = Board()
    rest(board, 0.0)
    board.take(reading(1.0, thd=7.0))
    shown = board.shown("clean")
    assert (shown.value, shown.sure) == (0.5, True)


def test_a_glitch_is_no_best_value():
    """The wiper lifts: single rows are far off, in either way, and none of them is kept."""
    board = Board()
    end_s = rest(board, 0.0)
    board.take(reading(end_s, thd=0.01, state="moving"))
    board.take(reading(end_s + 0.05, thd=0.01))
    rest(board, end_s + 0.1, seconds=0.3, thd=0.02)
    assert board.best["clean"].value == pytest.approx(0.5)
    rest(board, end_s + 0.4, thd=0.02)
    assert board.best["clean"].value == pytest.approx(0.02)


def test_the_best_is_forgotten_with_the_note():
    board = Board()
    end_s = rest(board, 0.0, thd=0.1)
    board.take(reading(end_s, state="moving", hz=470.0))
    board.take(reading(end_s + 0.02, state="moving", hz=480.0))
    board.take(reading(end_s + 0.04, state="moving", hz=490.0))
    board.take(reading(end_s + 0.045, state="moving", hz=494.0))
    assert board.best == {}
    rest(board, end_s + 0.05, thd=0.9, hz=494.0)
    assert board.best["clean"].value == pytest.approx(0.9)


def test_medians_do_not_reach_across_a_step():
    board = Board()
    end_s = rest(board, 0.0, thd=0.2)
    board.take(reading(end_s, state="moving"))
    rest(board, end_s + 0.05, seconds=0.2, thd=0.8)
    assert board.shown("clean").value == pytest.approx(0.8)
    assert not board.at_rest


@pytest.mark.parametrize(
    ("quantity", "held", "now", "better"),
    [
        ("clean", {"thd": 1.0}, {"thd": 0.5}, 6.02),
        ("clean", {"thd": 0.5}, {"thd": 1.0}, -6.02),
        ("pitch", {"cents": -7.0}, {"cents": 3.0}, 4.0),
        ("level", {"level_dbfs": -9.0}, {"level_dbfs": -9.5}, -0.5),
    ],
)
def test_better_and_worse_are_decibels_or_cents(quantity, held, now, better):
    board = Board(quantity=quantity)

    def with_cents(values, start_s):
        cents = values.pop("cents", None)
        for i in range(20):
            row = reading(start_s + 0.05 * i, **values)
            if cents is not None:
                row = Reading(**{**{f: getattr(row, f) for f in row.__dataclass_fields__}, "cents": cents})
            board.take(row)

    with_cents(dict(held), 0.0)
    assert board.hold()
    board.take(reading(1.0, state="moving"))
    assert board.better_by(quantity) is None
    with_cents(dict(now), 1.05)
    assert board.better_by(quantity) == pytest.approx(better, abs=0.01)


def test_nothing_is_held_or_marked_while_the_hand_moves():
    board = Board()
    board.take(reading(0.0, state="moving"))
    assert not board.hold()
    assert not board.mark()


def test_an_outline_while_it_moves_and_digits_at_rest():
    board = Board()
    end_s = rest(board, 0.0, thd=0.543)
    assert "▀" in text(board, joined=True)
    for i in range(3):
        board.take(reading(end_s + 0.05 * i, thd=0.62, state="moving"))
    assert "~ 0.6 %" in text(board, joined=True)
    assert "▀" not in text(board, joined=True)


def test_the_last_reading_does_not_stand_when_the_source_is_gone():
    board = Board()
    end_s = rest(board, 0.0)
    board.take(reading(end_s, state="lost", thd=None, hz=None, level_dbfs=None, h2_dbc=None, h3_dbc=None))
    shown = text(board, joined=True)
    assert "NOTHING COMES" in shown
    assert "440" not in shown
    assert "-48" not in shown


def test_a_clipped_interface_is_named_and_no_distortion_is_shown():
    board = Board()
    end_s = rest(board, 0.0)
    board.take(reading(end_s, state="over", thd=None, h2_dbc=None, h3_dbc=None))
    shown = text(board, joined=True)
    assert "turn the input down" in shown
    assert "0.5" not in shown.replace("0.5 s", "")


def test_a_half_is_named_only_beyond_the_scatter():
    board = Board()
    for i in range(20):
        board.take(reading(0.05 * i, crest_positive=0.962, crest_negative=1.0))
    unknown, known = text(board, joined=True), text(board, joined=True, polarity_known=True)
    assert "the upper half of the recording is held down by 3.8 % polarity: not tested" in unknown
    assert "the positive half is held down by 3.8 %" in known
    assert "polarity" not in known
    doubtful = Board()
    for i in range(20):
        doubtful.take(reading(0.05 * i, crest_positive=0.98 + 0.01 * (-1) ** i, crest_negative=1.0))
    assert "held down" not in text(doubtful)


def test_below_ten_times_the_corner_a_half_is_probable():
    board = Board()
    for i in range(20):
        board.take(reading(0.05 * i, crest_positive=0.9, crest_negative=1.0, hz=60.0))
    assert "probably" in text(board, ac_coupling_hz=10.0)
    assert "probably" not in text(board, ac_coupling_hz=2.0)


def test_the_octave_asks_for_no_direction_before_two_states_were_heard():
    board = Board(quantity="octave")
    rest(board, 0.0)
    board.take(IntervalReading(time_s=1.0, low_hz=220.0, high_hz=441.0, cents=1203.9, error_cents=3.9, alternations=3))
    assert "3.90 cents wide" in text(board, joined=True)
    assert "should now read" not in text(board, joined=True)
    assert board.hold()
    board.take(IntervalReading(time_s=3.0, low_hz=220.0, high_hz=440.5, cents=1202.0, error_cents=2.0, alternations=6))
    assert "the upper note should now read 440.0 Hz" in text(board, joined=True)


def test_what_is_lost_and_what_stands():
    board = Board()
    end_s = rest(board, 0.0)
    board.take(Arisen(time_s=1.0, kind="level-drift", severity="attention", half=None, sentence="It drifts."))
    board.take(LostTime(time_s=1.0, seconds=5.6))
    assert "attention: It drifts." in text(board, joined=True)
    assert "5.6 s lost" in text(board, joined=True)
    board.take(Cleared(time_s=9.0, kind="level-drift", severity="attention", half=None))
    rest(board, end_s)
    assert "drifts" not in text(board, joined=True)


@pytest.mark.parametrize("width", [1, 20, 39, 40, 59, 60, 80, 200])
@pytest.mark.parametrize("height", [1, 3, 8, 40])
def test_every_terminal_has_room(width, height):
    board = Board()
    rest(board, 0.0, thd=123.456)
    board.hold()
    lines = draw(board, Around(keep="x" * 90, keys=True, message="y" * 90), width, height)
    assert len(lines) <= height
    assert max(len(line) for line in lines) <= width
    if width < 40:
        assert len(lines) == 1


@pytest.mark.parametrize(("width", "height"), [(40, 24), (40, 16), (80, 16), (80, 24)])
def test_what_was_asked_for_is_shown_where_not_all_has_room(width, height):
    """Keys, the answer to a key, a guide's step: on a usual and on a low terminal, with the reading above."""
    board = Board()
    rest(board, 0.0)
    board.hold()
    board.take(Arisen(time_s=2.0, kind="hum", severity="attention", half=None, sentence="Mains hum lies here. " * 9))
    keys = draw(board, Around(keep="take.wav", keys=True), width, height)
    assert any("q stop and check" in " ".join(line.split()) for line in keys)
    told = draw(board, Around(keep="take.wav", message="nothing is at rest"), width, height)
    assert "nothing is at rest" in told
    guided = draw(board, Around(keep="take.wav", guide=("do this", "wait for that", "saw it")), width, height)
    assert guided[guided.index("do this") :][:3] == ["do this", "wait for that", "saw it"]
    for lines in (keys, told, guided):
        assert len(lines) <= height
        assert "steady" in lines[0]
        assert any("█" in line for line in lines[2:5])


@pytest.mark.parametrize("quantity", ["pitch", "octave", "clean", "level", "start"])
@pytest.mark.parametrize("state", ["steady", "settling", "moving"])
def test_on_one_line_nothing_is_cut(quantity, state):
    """Twenty columns: the value whole with its unit, the words where there is room for them."""
    board = Board()
    board.quantity = quantity
    rest(board, 0.0, state=state)
    (whole,) = draw(board, Around(), 39, 24)
    for width in (20, 24, 30):
        (line,) = draw(board, Around(), width, 24)
        assert line
        assert set(line.split()) <= set(whole.split())
    unit = {"pitch": "cents", "clean": "%", "level": "dBFS"}.get(quantity)
    assert unit is None or unit in draw(board, Around(), 20, 24)[0]


@pytest.mark.parametrize("width", [40, 50, 63, 80])
def test_what_is_wrapped_keeps_together(width):
    """Keys with what they do, numbers with their units; no key's line is broken in two."""
    board = Board()
    rest(board, 0.0, seconds=3.0)
    sentence = "The upper half of the recording is flattened from 466 Hz (A#4) upward, by 12 dB: 3.8 % at 2.22 kHz."
    board.take(Arisen(time_s=2.0, kind="asymmetric-clipping", severity="fault", half="upper", sentence=sentence))
    lines = draw(board, Around(keep="north-shelf-3-2026-11-29T02-12-00.wav", keys=True), width, 60)
    shown = "\n".join(lines)
    for words in (
        "q stop  ? keys",
        "466 Hz",
        "12 dB",
        "3.8 %",
        "2.22 kHz",
        "q stop and check" if width < 64 else HELP[1],
    ):
        assert words in shown
    assert "\u00a0" not in shown


def test_a_terminal_without_blocks_has_plain_characters():
    board = Board()
    rest(board, 0.0)
    board.hold()
    assert text(board, ascii_only=True).isascii()
    assert "0.5" in text(board, ascii_only=True)


def test_digits_are_those_that_the_scatter_supports():
    assert number("clean", Shown(0.5432, 0.0004, True)) == "0.543"
    assert number("clean", Shown(0.5432, 0.03, True)) == "0.5"
    assert number("pitch", Shown(-0.001, 0.001, True)) == "+0.00"
    assert number("clean", Shown(12.34, 5.0, False)) == "12"


@pytest.mark.parametrize("width", [40, 76])
def test_nothing_that_is_looked_at_is_moved_by_what_stands_below(width):
    """A long finding, a message and the keys leave the lines of the readings where they were."""
    board = Board()
    end_s = rest(board, 0.0)
    board.hold()
    before = draw(board, Around(keep="/some/folder/take.wav"), width, 40)
    board.take(Arisen(time_s=end_s, kind="hum", severity="attention", half=None, sentence="Mains hum lies here. " * 9))
    after = draw(board, Around(keep="/some/folder/take.wav", keys=True, message="nothing is at rest"), width, 40)
    take = next(i for i, line in enumerate(before) if line.startswith("take"))
    assert after[: take + 1] == before[: take + 1]
    assert max(len(line) for line in after) <= width
    if width >= 76:  # and none of the usual lines is wrapped
        assert before[take] == "take       keeping take.wav, 0:00, nothing lost   q stop  ? keys"
        assert after[take + 2 : take + 5] == [line.rstrip() for line in HELP]


def test_the_screen_is_drawn_only_where_its_text_changes(monkeypatch):
    monkeypatch.setattr(app, "create_input", lambda **_: DummyInput())
    monkeypatch.setattr(app, "_DRAWN_EVERY_S", 0.002)
    with create_app_session(output=DummyOutput()):
        screen = app.ScreenApp(Around(), lambda: None)
    drawn: list[str] = []
    monkeypatch.setattr(screen._app, "invalidate", lambda: drawn.append(fragment_list_to_text(screen._text())))

    async def looked() -> None:
        looking = asyncio.ensure_future(screen._look())
        for heard_s in (1.0, 1.01, 1.02, 2.0):
            screen.tell(reading(heard_s))
            await asyncio.sleep(0.1)
        looking.cancel()

    asyncio.run(looked())
    assert len(drawn) == 2, drawn
    assert "0:01 heard" in drawn[0]
    assert "0:02 heard" in drawn[-1]
