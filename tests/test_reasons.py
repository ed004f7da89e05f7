"""The list of reasons: which flag they make together, and which of them made it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sporecount.reasons import FLAGS, REASONS, flag_of, gravest_first

CODES = st.lists(st.sampled_from(sorted(REASONS)), max_size=8)


@given(CODES)
def test_the_first_reason_is_one_that_made_the_flag(codes):
    ordered = gravest_first(codes)
    assert set(ordered) == set(codes)
    assert len(set(ordered)) == len(ordered)
    flags = [REASONS[code].flag for code in ordered]
    assert flags == sorted(flags, key=FLAGS.index, reverse=True)
    assert not ordered or REASONS[ordered[0]].flag == flag_of(codes)
    assert gravest_first(ordered) == ordered


def test_reasons_of_one_flag_keep_their_order_and_unknown_ones_come_last():
    codes = ("crowded", "a-later-code", "few-fields", "low-power", "unlike-known", "crowded")
    assert gravest_first(codes) == ("unlike-known", "crowded", "low-power", "few-fields", "a-later-code")
    with pytest.raises(KeyError, match="a-later-code"):
        flag_of(codes)
