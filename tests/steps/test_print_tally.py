"""A print's tally from fields made by hand: what must hold whatever the fields show."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sporecount.settings import CountSettings
from sporecount.steps.print_tally import (
    SHARED_DOUBT,
    evidence_of,
    mark_session,
    tally_print,
)
from tests.steps.made_fields import make_field

SETTINGS = CountSettings()


def test_density_is_the_sum_of_probabilities_over_the_searched_area():
    fields = [
        make_field([0.99, 0.9, 0.2], number=1, examined_mm2=1.5, recall=0.9),
        make_field([0.97], number=2, examined_mm2=0.5, recall=0.8),
    ]
    tally = tally_print(fields, SETTINGS)
    assert tally.density_per_mm2 == pytest.approx(3.06 / (1.5 * 0.9 + 0.5 * 0.8), rel=1e-6)
    assert tally.density_low < tally.density_per_mm2 < tally.density_high
    assert (tally.spores, tally.photos, tally.fields, tally.examined_mm2) == (3, 2, 2, 2.0)
    assert sum(tally.load_class_probability) == pytest.approx(1)


def test_thousands_of_specks_make_no_spore():
    tally = tally_print([make_field([0.01] * 5000, number=i) for i in (1, 2, 3)], SETTINGS)
    assert tally.density_per_mm2 == 0
    assert tally.spores == 0


def test_variance_of_a_count_holds_its_own_and_the_shared_doubt():
    fields = [make_field([0.5] * 4, number=1), make_field([0.9] * 10, number=2)]
    spread = np.array([4 * 0.25, 10 * 0.09])
    total = evidence_of(fields, SETTINGS).count_var.sum()
    assert total == pytest.approx(spread.sum() + (SHARED_DOUBT * spread.sum()) ** 2, rel=1e-5)


def test_nothing_found_hides_at_least_three_over_the_examined_area():
    """Even scatter: 3/n (Hanley & Lippman-Hand 1983, JAMA 249:1743-1745); clumping raises it."""
    fields = [make_field(number=i, examined_mm2=1.2) for i in range(1, 7)]
    tally = tally_print(fields, SETTINGS)
    assert tally.spores == 0
    assert tally.density_per_mm2 == tally.density_low == 0
    assert 3 / 7.2 < tally.could_hide_per_mm2 < 3 * 3 / 7.2
    assert tally.class_at_least == 0
    assert tally.flag == "clear"


def test_many_spores_make_a_heavy_class():
    tally = tally_print([make_field([0.99] * 150, number=i) for i in (1, 2, 3)], SETTINGS)
    assert tally.class_at_least == 4  # 450 spores are in the fields themselves
    assert tally.load_class == 5
    assert 450 < tally.load_low < 150 * SETTINGS.print_area_mm2 < tally.load_high


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.lists(st.floats(0.05, 0.999), max_size=12), min_size=1, max_size=4),
    st.randoms(use_true_random=False),
)
def test_order_does_not_matter_and_a_spore_more_never_lowers_the_density(probabilities, chance):
    fields = [make_field(p, number=i + 1) for i, p in enumerate(probabilities)]
    tally = tally_print(fields, SETTINGS)
    mixed = list(fields)
    chance.shuffle(mixed)
    again = tally_print(mixed, SETTINGS)
    assert again.density_high == pytest.approx(tally.density_high, rel=1e-6)
    assert again.spores == tally.spores
    more = [make_field([*probabilities[0], 0.99], number=1), *fields[1:]]
    richer = tally_print(more, SETTINGS)
    assert richer.density_per_mm2 > tally.density_per_mm2
    assert richer.spores == tally.spores + 1


def test_unusable_fields_are_left_out_and_named():
    good = [make_field([0.99] * 3, number=i) for i in (1, 2, 3)]
    spoilt = make_field([0.99] * 50, number=4, reasons=("out-of-focus",))
    tally = tally_print([*good, spoilt], SETTINGS)
    assert tally.spores == 9
    assert tally.photos == 3
    assert tally.flag == "clear"
    assert tally.reasons == ("photos-left-out",)


def test_without_a_usable_field_there_is_no_number():
    tally = tally_print([make_field([0.9], reasons=("out-of-focus", "uncalibrated"))], SETTINGS)
    assert tally.flag == "unusable"
    assert tally.reasons == ("out-of-focus", "uncalibrated")
    numbers = [tally.density_per_mm2, tally.density_low, tally.density_high, tally.could_hide_per_mm2]
    assert np.isnan([*numbers, *tally.load_class_probability]).all()
    assert (tally.spores, tally.fields, tally.examined_mm2) == (0, 0, 0)


def test_a_field_with_nothing_examined_gives_no_verdict():
    tally = tally_print([make_field(examined_mm2=0.0)], SETTINGS)
    assert tally.flag == "unusable"


def test_a_reason_counts_for_the_print_by_its_share_of_area_or_spores():
    blurred = make_field(number=1, reasons=("partly-out-of-focus",))
    clean = [make_field(number=i) for i in (2, 3, 4)]
    assert tally_print([blurred, *clean], SETTINGS).reasons == ()
    assert tally_print([blurred, *clean[:2]], SETTINGS).reasons == ("partly-out-of-focus",)
    crowd = make_field([0.99] * 40, number=1, reasons=("crowded",))
    assert tally_print([crowd, *clean], SETTINGS).reasons == ("crowded",)
    assert tally_print([crowd, *clean], SETTINGS).flag == "recheck"


def test_fewer_than_three_places_are_few():
    fields = [make_field(number=i) for i in (1, 2, 3)]
    assert tally_print(fields[:2], SETTINGS).reasons == ("few-fields",)
    assert tally_print(fields, SETTINGS).reasons == ()


def test_an_uncertain_scale_widens_the_interval():
    sure = tally_print([make_field([0.99] * 60, number=i) for i in (1, 2, 3, 4)], SETTINGS)
    unsure = tally_print(
        [make_field([0.99] * 60, number=i, scale_rel_u=0.15) for i in (1, 2, 3, 4)], SETTINGS
    )
    assert unsure.density_high - unsure.density_low > 1.3 * (sure.density_high - sure.density_low)


def test_a_contaminated_blank_puts_every_print_in_doubt():
    prints = [tally_print([make_field(number=i) for i in (1, 2, 3)], SETTINGS)] * 2
    marked = mark_session(prints, "blank-contaminated")
    assert [one.flag for one in marked] == ["recheck", "recheck"]
    assert all("blank-contaminated" in one.reasons for one in marked)
    assert mark_session(marked, "blank-contaminated") == marked
    assert prints[0].flag == "clear"


def heavy(tally):
    return sum(tally.load_class_probability[4:])


@pytest.mark.parametrize(("chance", "number"), [(0.25, 2), (0.25, 20), (0.25, 1000), (0.55, 20)])
def test_doubtful_objects_alone_make_no_load_likelier_than_they_are_spores(chance, number):
    """Errors of sorting go together: many look-alikes of one kind are no surer than one of them."""
    fields = [make_field([chance] * number, number=i, examined_mm2=2.0) for i in (1, 2, 3)]
    empty = [make_field(number=i, examined_mm2=2.0) for i in (1, 2, 3)]
    tally, without = tally_print(fields, SETTINGS), heavy(tally_print(empty, SETTINGS))
    assert heavy(tally) <= chance + (1 - chance) * without + 1e-6  # probabilities are single precision
    assert tally.class_at_least == 0
    assert tally.load_class == 0 or chance > 0.5
    assert tally.heavy_verdict != "at least"
    assert tally.doubtful_objects == 3 * number
    assert tally.heavy_without_doubtful == pytest.approx(without)
    assert tally.expected == tally.doubtful_expected == pytest.approx(3 * number * chance)


def test_sure_spores_are_heavy_whatever_else_is_doubtful():
    fields = [make_field([0.99] * 60 + [0.4] * 60, number=i, examined_mm2=2.0) for i in (1, 2, 3)]
    tally = tally_print(fields, SETTINGS)
    assert heavy(tally) > 0.99
    assert tally.heavy_without_doubtful > 0.99
    assert tally.heavy_verdict == "at least"
    assert tally.class_at_least == 4  # 180 sure ones


def test_deciding_the_doubtful_objects_decides_the_load():
    """What a re-check makes of them is what the two cases said beforehand."""
    open_ones = tally_print([make_field([0.4] * 40, number=i) for i in (1, 2, 3)], SETTINGS)
    spores = tally_print([make_field([0.99] * 40, number=i) for i in (1, 2, 3)], SETTINGS)
    none = tally_print([make_field([0.01] * 40, number=i) for i in (1, 2, 3)], SETTINGS)
    assert heavy(spores) > 0.99
    assert heavy(none) == pytest.approx(open_ones.heavy_without_doubtful)
    assert heavy(open_ones) == pytest.approx(0.4 * heavy(spores) + 0.6 * heavy(none), abs=0.01)
