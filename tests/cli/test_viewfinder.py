"""Window or countdown: what the person sees and how the wish is read."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from cli.viewfinder import Countdown, Window, has_display, open_viewfinder

FRAME = np.full((1080, 1920, 3), 200, np.uint8)


@pytest.fixture
def screen(monkeypatch):
    """A screen that is not there: what is shown, the next key, and the mouse."""
    state = {"shown": [], "key": -1, "visible": 1.0, "mouse": None}
    monkeypatch.setattr(cv2, "setMouseCallback", lambda _title, callback: state.update(mouse=callback))
    monkeypatch.setattr(cv2, "imshow", lambda _title, view: state["shown"].append(view.copy()))
    monkeypatch.setattr(cv2, "waitKey", lambda _ms: state["key"])
    monkeypatch.setattr(cv2, "getWindowProperty", lambda _title, _what: state["visible"])
    return state


@pytest.mark.parametrize(
    ("key", "wish"), [(32, "take"), (13, "take"), (ord("q"), "stop"), (27, "stop"), (-1, ""), (ord("x"), "")]
)
def test_keys_in_the_window(screen, key, wish):
    screen["key"] = key
    assert Window("title").show(FRAME, 3, 0.0, "") == wish


def test_a_click_takes_one_picture_and_a_closed_window_stops(screen):
    window = Window("title")
    screen["mouse"](cv2.EVENT_LBUTTONDOWN, 5, 5, 0, None)
    assert window.show(FRAME, 0, 0.0, "") == "take"
    assert window.show(FRAME, 1, 0.0, "") == ""
    screen["mouse"](cv2.EVENT_MOUSEMOVE, 5, 5, 0, None)
    assert window.show(FRAME, 1, 0.0, "") == ""
    screen["visible"] = 0.0
    assert window.show(FRAME, 1, 0.0, "") == "stop"


def test_the_window_shows_the_picture_small_with_words_and_leaves_the_frame_alone(screen):
    before = FRAME.copy()
    Window("title").show(FRAME, 3, 4.2, "\aagain: blurred … hold it still")
    (view,) = screen["shown"]
    assert view.shape == (720, 1280, 3)
    assert view[:120].max() == 255, "letters"
    assert (view[130:] == 200).all()
    assert (before == FRAME).all()


def test_the_countdown_says_every_second_once(capsys):
    countdown = Countdown()
    for left_s in (2.0, 1.9, 1.2, 0.9, 0.1, 0.0, -0.1, 1.5):
        assert countdown.show(FRAME, 0, left_s, "") == ""
    assert capsys.readouterr().err.split() == ["2", "...", "1", "...", "2", "..."]


def test_no_display_or_no_window_means_countdown(monkeypatch, capsys):
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    assert not has_display()
    with open_viewfinder("title", True) as finder:
        assert isinstance(finder, Countdown)
    monkeypatch.setenv("DISPLAY", ":0")
    assert has_display()
    with open_viewfinder("title", False) as finder:
        assert isinstance(finder, Countdown)

    def no_window(_title, _flags):
        raise cv2.error("no GUI in this build")

    monkeypatch.setattr(cv2, "namedWindow", no_window)
    with open_viewfinder("title", True) as finder:
        assert isinstance(finder, Countdown)
    assert "counting down in the terminal" in capsys.readouterr().err


def test_a_window_is_closed_whatever_happens(monkeypatch, screen):
    monkeypatch.setattr("cli.viewfinder.has_display", lambda: True)
    monkeypatch.setattr(cv2, "namedWindow", lambda _title, _flags: None)
    closed = []
    monkeypatch.setattr(cv2, "destroyWindow", closed.append)

    def session() -> None:
        with open_viewfinder("title", True) as finder:
            assert isinstance(finder, Window)
            raise RuntimeError("pulled out")

    with pytest.raises(RuntimeError, match="pulled out"):
        session()
    assert closed == ["title"]
    assert screen["mouse"] is not None
