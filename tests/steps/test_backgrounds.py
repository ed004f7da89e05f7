"""What lies at a place, where it was drawn."""

from __future__ import annotations

import numpy as np

from sporecount.chain import survey_backgrounds
from sporecount.records import Photo, Scale
from sporecount.settings import CountSettings
from sporecount.steps.backgrounds import BACKGROUNDS
from tests.steps.drawn import ellipse_cover, srgb


def test_card_a_scale_and_something_opaque_are_told_apart():
    rng = np.random.default_rng(5)
    shape = (300, 420)
    brown = ellipse_cover(shape, 110, 90, 90, 50)[..., None] * (0.2, 0.35, 0.5)
    opaque = ellipse_cover(shape, 300, 200, 80, 60)[..., None] * (2.0, 2.0, 2.0)
    light = 0.7 * 10 ** -(brown + opaque) + rng.normal(0, 0.004, (*shape, 3))
    ground = survey_backgrounds(Photo(srgb(light), "drawn"), Scale(1.0), CountSettings())
    x, y = np.array([110, 160, 300, 220, 40, -30]), np.array([90, 90, 200, 60, 260, 20])
    kind, sharp = ground.at(x, y)
    assert [BACKGROUNDS[k] if k >= 0 else "outside" for k in kind] == [
        "scales", "scales", "glue", "card", "card", "outside",
    ]  # fmt: skip
    assert sharp[:5].all()
    assert not sharp[5]
