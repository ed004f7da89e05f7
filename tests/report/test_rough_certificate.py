"""The certificate of a scale without a ruling."""

from html import unescape

import cv2
import numpy as np
import pytest

from sporecount.calibration import approximate_profile, scale_from_length
from sporecount.records import RoundView
from sporecount.report.rough_certificate import BY_LENGTH, BY_VIEW, marked_photo, rough_certificate_html

GREY = np.full((300, 400, 3), 128, np.uint8)
"""A photo of 2000 x 1500 px, reduced to a fifth."""


def changed(lines, view=None) -> np.ndarray:
    """Where marks were drawn; JPEG alone moves grey by a few steps."""
    preview = cv2.imencode(".jpg", GREY)[1].tobytes()
    marked = cv2.imdecode(np.frombuffer(marked_photo(preview, 2000, lines, view), np.uint8), cv2.IMREAD_COLOR)
    return np.abs(marked.astype(int) - 128).max(axis=2) > 40


def test_marks_lie_where_they_were_drawn():
    marks = changed([(502, 252, 1502, 252)])  # centres of pixels 100 and 300, row 50, of the reduced photo
    rows, cols = np.nonzero(marks)
    # a ring of 9 px round each end, 2 px of stroke, and a pixel of JPEG's own
    assert (cols.min(), cols.max()) == pytest.approx((89, 311), abs=2)
    assert (rows.min(), rows.max()) == pytest.approx((39, 61), abs=2)
    assert marks[50, 120:280].all()
    assert not marks[44, 120:280].any()


def test_the_round_view_is_drawn_where_it_told():
    marks = changed([], RoundView(1002, 752, 500, found=True))
    rows, cols = np.nonzero(marks)
    away = np.hypot(cols - 200, rows - 150)
    assert (away.min(), away.max()) == pytest.approx((100, 100), abs=4)


@pytest.mark.parametrize(("drawn", "method"), [(True, BY_LENGTH), (False, BY_VIEW)])
def test_it_says_what_it_is_worth_and_escapes_what_was_typed(drawn, method):
    scale = scale_from_length((0, 0, 600, 0), length_um=300, thing="<script>bar</script>")
    profile = approximate_profile(
        scale, name="loan & Co", date="2026-11-25", objective=10, width_px=2000, height_px=1500
    )
    html = rough_certificate_html(profile, "<b>.jpg", b"picture", ["Mind this."], drawn=drawn).decode()
    assert "loan &amp; Co at 10x" in html
    assert "0.5000 ± 0.0055 µm per px" in html
    assert method in unescape(html)
    for words in ("Approximate: every count made with it is flagged", "Mind this.", "&lt;b&gt;.jpg"):
        assert words in html
    assert "<script" not in html
    assert "http" not in html
