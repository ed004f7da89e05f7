"""Readers' decisions on top of the machine's answer: laws first."""

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sporecount.readings import (
    SURE,
    Reading,
    agreement,
    current,
    differing,
    learn,
    learnt_words,
    nearest,
    queue,
    settle,
    undecided_share,
)
from sporecount.records import FieldResult, Objects
from sporecount.settings import CountSettings
from sporecount.steps.print_tally import tally_print
from tests.report.examples import make_field, make_print

FIELD = make_field(20, doubtful=8, seed=4, size=(700, 500), flag="recheck", reasons=("ambiguous-objects",))
DOUBTFUL = np.flatnonzero((FIELD.kinds.spore > 0.15) & (FIELD.kinds.spore < 0.85))


def said(
    row: int, says: str, at: int = 0, *, reader: str = "AB", turn: int = 1, field: FieldResult = FIELD
) -> Reading:
    place = (float(field.objects.x_px[row]), float(field.objects.y_px[row]))
    return Reading(field.photo, *place, says, reader, f"2026-05-17T09:00:{at:02d}", turn)


def same(one: FieldResult, other: FieldResult) -> bool:
    columns = all(
        np.array_equal(getattr(one.objects, each.name), getattr(other.objects, each.name), equal_nan=True)
        for each in fields(Objects)
    )
    return (
        columns
        and np.array_equal(one.kinds.probability, other.kinds.probability)
        and one.tally == other.tally
    )


def test_without_readings_the_machines_answer_stands():
    assert settle(FIELD, []) is FIELD


def test_the_machines_answer_is_never_changed():
    before = FIELD.kinds.probability.copy()
    settle(FIELD, [said(int(row), "spore") for row in DOUBTFUL])
    assert np.array_equal(before, FIELD.kinds.probability)


def test_a_spore_counts_and_none_does_not():
    row = int(DOUBTFUL[0])
    for says, counts, probability in (("spore", True, SURE), ("not", False, 1 - SURE)):
        result = settle(FIELD, [said(row, says)])
        assert bool(result.counted[row]) is counts
        assert result.kinds.spore[row] == pytest.approx(probability)
        assert result.tally.spores == int(result.counted.sum())
        assert result.kinds.probability.sum(axis=1) == pytest.approx(np.ones(20), abs=1e-5)


def test_cannot_tell_leaves_the_machines_probability():
    row = int(DOUBTFUL[0])
    result = settle(FIELD, [said(row, "unsure")])
    assert result.kinds.spore[row] == pytest.approx(FIELD.kinds.spore[row], abs=1e-6)


def test_readers_who_differ_leave_the_object_open_and_ask_for_a_third_look():
    row = int(DOUBTFUL[0])
    two = [said(row, "spore"), said(row, "not", 1, reader="CD", turn=2)]
    result = settle(FIELD, two)
    assert result.kinds.spore[row] == pytest.approx(0.5)
    assert not result.counted[row]
    assert "readers-differ" in result.tally.reasons
    assert result.tally.flag == "recheck"
    assert differing(FIELD, two, CountSettings()) == 1
    print_tally = tally_print([result], CountSettings())
    assert "readers-differ" in print_tally.reasons
    assert print_tally.doubtful_objects == len(DOUBTFUL)  # the open one among them
    for says, counts in (("spore", True), ("not", False)):
        third = settle(FIELD, [*two, said(row, says, 2, reader="EF")])
        assert bool(third.counted[row]) is counts
        assert "readers-differ" not in third.tally.reasons


def test_an_object_on_which_readers_differ_waits_for_somebody_else():
    sure = int(np.flatnonzero(FIELD.kinds.spore > 0.85)[0])  # no doubt of the machine's
    two = [said(sure, "spore"), said(sure, "not", 1, reader="CD")]
    for turn in (None, 1, 2):
        (first,) = [one for one in queue([FIELD], [], two, turn=turn, reader="EF") if one.row == sure]
        assert first.differ
    assert sure not in [one.row for one in queue([FIELD], [], two, turn=1, reader="AB")]
    third = [*two, said(sure, "not", 2, reader="EF")]
    assert sure not in [one.row for one in queue([FIELD], [], third)]
    # open objects of all kinds end the doubt only when nobody differs any more
    rest = [said(int(row), "not") for row in DOUBTFUL]
    assert [one.row for one in queue([FIELD], [], [*two, *rest])] == [sure]
    assert "readers-differ" in settle(FIELD, [*two, *rest]).tally.reasons


def test_readers_who_differ_on_a_missed_spore_leave_it_open():
    place = (5.0, 7.0)
    added = Reading(FIELD.photo, *place, "added", "AB", "2026-05-17T09:00:00")
    against = Reading(FIELD.photo, *place, "not", "CD", "2026-05-17T09:00:01")
    result = settle(FIELD, [added, against])
    assert result.tally.spores == FIELD.tally.spores
    assert result.kinds.spore[-1] == pytest.approx(0.5)
    assert "readers-differ" in result.tally.reasons
    third = settle(FIELD, [added, against, replace(against, reader="EF")])
    assert len(third.objects) == len(FIELD.objects)
    assert "readers-differ" not in third.tally.reasons


def test_what_is_left_undecided_is_told_by_the_spores_expected_of_it():
    spore = np.asarray(FIELD.kinds.spore, float)
    whole = spore[spore > 0.15].sum()
    assert undecided_share([FIELD], [], CountSettings()) == 1
    one = int(DOUBTFUL[0])
    left = undecided_share([FIELD], [said(one, "not")], CountSettings())
    assert left == pytest.approx(1 - spore[one] / whole)
    assert undecided_share([FIELD], [said(one, "unsure")], CountSettings()) == 1


def test_deciding_everything_narrows_the_interval_and_ends_the_doubt():
    decided = [said(int(row), "spore" if FIELD.counted[row] else "not") for row in DOUBTFUL]
    tally = settle(FIELD, decided).tally
    assert tally.spores == FIELD.tally.spores
    assert tally.spores_high - tally.spores_low < FIELD.tally.spores_high - FIELD.tally.spores_low
    assert "ambiguous-objects" not in tally.reasons
    assert tally.flag == "clear"
    assert FIELD.tally.flag == "recheck"


def test_decisions_leave_what_heaps_could_hide_in_the_upper_end():
    """A reader sees no more of what lies beneath than the photo shows."""
    words = [said(int(row), "spore", at=i) for i, row in enumerate(DOUBTFUL)]
    heaped = replace(FIELD, tally=replace(FIELD.tally, hidden_in_heaps=7.2))
    without, held = settle(FIELD, words).tally, settle(heaped, words).tally
    assert (held.spores_low, held.spores_high) == (without.spores_low, without.spores_high + 8)


def test_where_nothing_counts_one_of_two_doubts_settled_ends_the_doubt():
    field = make_field(2, doubtful=2, seed=2, flag="recheck", reasons=("ambiguous-objects",))
    assert not field.counted.any()
    assert settle(field, [said(0, "unsure", field=field)]).tally.flag == "recheck"
    assert settle(field, [said(0, "not", field=field)]).tally.flag == "clear"


def test_a_few_of_many_doubts_read_do_not_end_the_doubt():
    """Six doubts ask for a look, five do not; one of six read is no look."""
    field = make_field(12, doubtful=6, seed=4, flag="recheck", reasons=("ambiguous-objects",))
    rows = np.flatnonzero((field.kinds.spore > 0.15) & (field.kinds.spore < 0.85))
    assert len(rows) == 6
    words = [said(int(row), "spore" if field.counted[row] else "not", field=field) for row in rows]
    flags = [settle(field, words[:read]).tally.flag for read in range(7)]
    assert flags == ["recheck", "recheck", "recheck", "clear", "clear", "clear", "clear"]


def test_a_field_that_loses_its_only_spore_is_looked_at_for_its_doubts():
    field = make_field(4, doubtful=3, seed=6)
    assert np.count_nonzero(field.counted) == 1
    assert field.tally.flag == "clear"
    tally = settle(field, [said(int(np.flatnonzero(field.counted)[0]), "not", field=field)]).tally
    assert (tally.spores, tally.flag, tally.reasons) == (0, "recheck", ("ambiguous-objects",))


def test_a_missed_spore_is_added_once_and_measured_as_unknown():
    x, y = 5.0, 7.0
    one = Reading(FIELD.photo, x, y, "added", "AB", "2026-05-17T09:00:00")
    close = Reading(FIELD.photo, x + 1, y, "added", "CD", "2026-05-17T09:00:01", 2)
    result = settle(FIELD, [one, close])
    assert len(result.objects) == 21
    assert result.tally.spores == FIELD.tally.spores + 1
    assert math.isnan(result.objects.amber[-1])
    assert (result.objects.x_px[-1], result.objects.y_px[-1]) in {(x, y), (x + 1, y)}


def test_adding_on_top_of_an_object_is_a_word_on_that_object():
    row = int(DOUBTFUL[0])
    assert len(settle(FIELD, [said(row, "added")]).objects) == 20


_words = st.lists(
    st.tuples(
        st.sampled_from([int(row) for row in DOUBTFUL]),
        st.sampled_from(["spore", "not", "unsure", "taken-back"]),
        st.sampled_from(["AB", "CD"]),
    ),
    max_size=14,
)


@settings(deadline=None, max_examples=40)
@given(words=_words, random=st.randoms(use_true_random=False))
def test_the_order_of_the_list_does_not_matter(words, random):
    listed = [said(row, says, at, reader=reader) for at, (row, says, reader) in enumerate(words)]
    shuffled = listed.copy()
    random.shuffle(shuffled)
    assert same(settle(FIELD, listed), settle(FIELD, shuffled))


@settings(deadline=None, max_examples=40)
@given(words=_words)
def test_taking_everything_back_returns_the_start(words):
    listed = [said(row, says, at, reader=reader) for at, (row, says, reader) in enumerate(words)]
    listed += [said(row, "taken-back", 30 + at, reader=reader) for at, (row, _, reader) in enumerate(words)]
    assert current(listed) == []
    assert settle(FIELD, listed) is FIELD


@settings(deadline=None, max_examples=25)
@given(rows=st.sets(st.sampled_from([int(row) for row in DOUBTFUL])))
def test_a_further_spore_never_lowers_the_count_or_its_upper_end(rows):
    before = FIELD.tally.spores
    listed: list[Reading] = []
    high = settle(FIELD, [said(int(row), "not") for row in DOUBTFUL]).tally.spores_high
    for at, row in enumerate(sorted(rows)):
        listed.append(said(row, "spore", at))
        tally = settle(FIELD, listed).tally
        assert tally.spores >= before
        before = tally.spores
        assert tally.spores_high >= min(high, tally.spores)
    assert before >= FIELD.tally.spores


def test_a_decision_is_found_again_after_a_new_count_moved_the_object_a_little():
    row = int(DOUBTFUL[0])
    moved = replace(FIELD, objects=replace(FIELD.objects, x_px=FIELD.objects.x_px + 0.8))
    assert bool(settle(moved, [said(row, "spore")]).counted[row])
    assert nearest(FIELD.objects, -500, -500, 2.0) is None
    assert nearest(make_field(0, doubtful=0).objects, 1, 1, 2.0) is None


def test_readings_of_other_photos_are_passed_over():
    other = replace(said(int(DOUBTFUL[0]), "spore"), photo="other.jpg")
    assert settle(FIELD, [other]) is FIELD


def test_what_changes_a_verdict_comes_first():
    open_one = make_print("OPEN", 5, load_class_probability=(0, 0, 0.2, 0.3, 0.4, 0.1))
    fixed = make_print("FIXED", 400, load_class_probability=(0, 0, 0, 0, 0.1, 0.9))
    one, two = make_field(10, sample="FIXED", seed=1), make_field(10, sample="OPEN", seed=1)
    listed = queue([one, two], [open_one, fixed])
    assert len(listed) == 12
    assert {doubt.photo for doubt in listed[:6]} == {two.photo}
    assert [doubt.value for doubt in listed] == sorted((doubt.value for doubt in listed), reverse=True)


def test_objects_of_a_print_without_a_verdict_come_last():
    useless = replace(make_print("TANK-01", 12), flag="unusable", reasons=("out-of-focus",))
    other = replace(FIELD, photo="other.jpg", sample="TANK-02")
    listed = queue([FIELD, other], [useless, make_print("TANK-02", 500)])
    half = len(listed) // 2
    assert [one.photo for one in listed] == ["other.jpg"] * half + [FIELD.photo] * half


def test_what_is_decided_leaves_the_queue():
    listed = queue([FIELD], [make_print("TANK-01", 12)])
    assert sorted(doubt.row for doubt in listed) == DOUBTFUL.tolist()
    rest = queue([FIELD], [], [said(listed[0].row, "unsure")])
    assert sorted(doubt.row for doubt in rest) == sorted(doubt.row for doubt in listed[1:])


def test_little_is_learnt_from_few_and_nothing_from_less():
    assert learn([FIELD], [said(int(row), "spore") for row in DOUBTFUL[:7]]) is None


def test_readers_who_see_more_spores_than_expected_shift_the_rest_up():
    up = learn([FIELD], [said(int(row), "spore") for row in DOUBTFUL])
    down = learn([FIELD], [said(int(row), "not") for row in DOUBTFUL])
    assert up is not None
    assert down is not None
    assert up.shift > 0 > down.shift
    assert (up.decided, up.seen, down.seen) == (8, 8, 0)
    other = make_field(20, doubtful=8, seed=9, photo="other.jpg")
    assert (settle(other, [], learnt=up).kinds.spore >= other.kinds.spore - 1e-6).all()
    assert (settle(other, [], learnt=down).kinds.spore <= other.kinds.spore + 1e-6).all()
    assert "8" in " ".join(learnt_words(up))


def test_the_shift_comes_back_from_decisions_drawn_with_it():
    """Within three standard errors of 400 decisions at even odds: 3 / sqrt(400 / 4) = 0.3."""
    rng = np.random.default_rng(5)
    field = make_field(400, doubtful=400, seed=8, size=(3000, 2200))
    truth = 0.6
    odds = field.kinds.spore / (1 - field.kinds.spore) * np.exp(truth)
    spore = rng.uniform(size=400) < odds / (1 + odds)
    learnt = learn(
        [field], [said(row, "spore" if spore[row] else "not", row % 60, field=field) for row in range(400)]
    )
    assert learnt is not None
    assert learnt.shift == pytest.approx(truth, abs=0.3)
    assert learnt.length_um == pytest.approx(11.8, abs=0.3)  # of the drawn spores, spread 0.7 um


def test_agreement_of_two_readings():
    """Kappa of the table 20 5 / 10 15 is 0.4 (a worked example in many textbooks; from memory)."""
    words = (
        [("spore", "spore")] * 20 + [("spore", "not")] * 5 + [("not", "spore")] * 10 + [("not", "not")] * 15
    )
    listed = []
    for at, (first, second) in enumerate(words):
        place = (10.0 * at, 3.0)
        listed.append(Reading("a.jpg", *place, first, "AB", "2026-05-17T09:00:00", 1))
        listed.append(Reading("a.jpg", *place, second, "CD", "2026-05-17T10:00:00", 2))
    found = agreement(listed)
    assert found.table[:2, :2].tolist() == [[20, 5], [10, 15]]
    assert found.kappa is not None
    assert found.kappa.value == pytest.approx(0.4)
    assert len(found.differing) == 15


def test_agreement_without_two_readings_says_so():
    assert agreement([said(int(DOUBTFUL[0]), "spore")]).kappa is None
    assert agreement([]).table.sum() == 0
