"""What objects are sorted by: held against the photo's other spores and other things, never against themselves."""

import numpy as np

from sporecount.steps.classify.crops import FINE_PX, FINEST_PX, WIDE_PX
from sporecount.steps.classify.network import HIDDEN, look, look_carefully
from sporecount.steps.classify.traits import company

SPORE, THING = np.array([3.0, 0, 0, 0]), np.array([0, 4.0, 0, 0])


def test_distances_and_cosine_are_those_to_the_means_of_the_others() -> None:
    hidden = np.stack([SPORE, SPORE, THING, THING, SPORE])
    margin = np.array([30.0, 30, -30, -30, -30])  # the last one is sorted wrongly by the looks
    from_spores, from_things, nearer, cosine = company(hidden, margin).T
    # for a thing the others are a thing and the misjudged spore: mean (1.5, 2, 0, 0)
    other_things = np.sqrt(np.mean((THING - [1.5, 2, 0, 0]) ** 2))
    spore_to_things = np.sqrt(np.mean((SPORE - [1, 8 / 3, 0, 0]) ** 2))
    across = np.sqrt(np.mean((SPORE - THING) ** 2))  # 5 / 2
    np.testing.assert_allclose(from_spores, [0, 0, across, across, 0], atol=1e-6)
    np.testing.assert_allclose(from_things, [spore_to_things] * 2 + [other_things] * 2 + [across], rtol=1e-6)
    np.testing.assert_allclose(nearer, from_things - from_spores)
    np.testing.assert_allclose(cosine, [1, 1, 0, 0, 1], atol=1e-6)


def test_a_lone_object_has_no_company_to_be_like() -> None:
    [[from_spores, _, _, cosine]] = company(SPORE[None], np.array([30.0]))
    assert cosine == 0
    assert from_spores == np.sqrt(np.mean(SPORE**2))


def test_what_a_network_did_not_look_at_is_nobodys_company() -> None:
    hidden = np.stack([SPORE, SPORE, np.zeros(4), THING])
    with_it = company(hidden, np.array([30.0, 30, 30, -30]))
    without = company(hidden[[0, 1, 3]], np.array([30.0, 30, -30]))
    np.testing.assert_allclose(with_it[[0, 1, 3]], without)


def test_each_network_hands_over_its_own_hidden_layer() -> None:
    rng = np.random.default_rng(4)
    fine, finest, wide = (
        rng.uniform(0, 0.5, (5, 3, side, side)).astype(np.float32) for side in (FINE_PX, FINEST_PX, WIDE_PX)
    )
    quick, both = look(fine, wide), look_carefully(fine, finest, wide)
    assert quick.hidden_first.any(axis=1).all()
    assert not quick.hidden_second.any()
    np.testing.assert_array_equal(both.hidden_first, quick.hidden_first)
    assert both.hidden_second.any(axis=1).all()
    none = look_carefully(fine[:0], finest[:0], wide[:0])
    assert none.hidden_first.shape == (0, HIDDEN["first"])
    assert none.hidden_second.shape == (0, HIDDEN["second"])
