"""Every case of the words that a keeper reads."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sporecount.reasons import REASONS
from sporecount.records import Readers
from sporecount.report.phrases import LOAD_CLASSES, about, area, count_phrase, in_100
from sporecount.report.session_words import attention_order, next_print_words, session_sentences
from sporecount.report.why import why_words
from sporecount.report.words import (
    area_words,
    class_words,
    could_hide_words,
    field_sentence,
    heavy_words,
    print_case,
    print_verdict,
    read_sentences,
    reason_words,
    stop_words,
)
from tests.report.examples import make_field, make_print

NAN = float("nan")
HEAVY = (0.0, 0.0, 0.0, 0.02, 0.3, 0.68)
MANY = (0.0, 0.0, 0.1, 0.7, 0.2, 0.0)
FEW = (0.0, 0.2, 0.7, 0.08, 0.02, 0.0)
HALF = (0.3, 0.2, 0.05, 0.05, 0.3, 0.1)
DOUBTS = {"expected": 26.0, "doubtful_objects": 50, "doubtful_expected": 25.0, "heavy_without_doubtful": 0.02}

CASES = {
    "none": make_print(spores=0, could_hide_per_mm2=0.73),
    "none, little examined": make_print(spores=0, fields=1, examined_mm2=0.3, could_hide_per_mm2=10.0),
    "none, recheck": make_print(spores=0, flag="recheck", reasons=("partly-out-of-focus",)),
    "few": make_print(spores=3, load_class=2, load_class_probability=FEW),
    "many": make_print(spores=40, load_class=3, load_class_probability=MANY, class_at_least=3),
    "heavy": make_print(spores=900, load_class=5, load_class_probability=HEAVY, class_at_least=4),
    "unusable": make_print(spores=0, flag="unusable", reasons=("out-of-focus",)),
    "unusable, objects": make_print(spores=2, flag="unusable", reasons=()),
    "nothing known": make_print(
        spores=0,
        fields=0,
        examined_mm2=0.0,
        density_per_mm2=NAN,
        density_low=NAN,
        density_high=NAN,
        could_hide_per_mm2=NAN,
        load_low=NAN,
        load_high=NAN,
        load_class_probability=(NAN,) * 6,
    ),
    "doubtful": make_print(spores=1, load_class_probability=HALF, **DOUBTS),
    "no classes": make_print(spores=5, load_class_probability=()),
}


def all_words(tally):
    verdict = print_verdict(tally)
    return " ".join(
        [
            verdict.headline,
            *verdict.evidence,
            verdict.could_hide,
            verdict.supports,
            *verdict.doubts,
            *verdict.remarks,
            *verdict.next_steps,
        ]
    )


@pytest.mark.parametrize("name", CASES)
def test_every_case_gives_whole_sentences(name):
    verdict = print_verdict(CASES[name])
    for sentence in filter(None, (verdict.headline, verdict.could_hide, verdict.supports, *verdict.evidence)):
        assert sentence[0].isupper() or sentence[0].isdigit()
        assert sentence.endswith(".")
    assert "nan" not in all_words(CASES[name]).lower().replace("nant", "")


@pytest.mark.parametrize("name", CASES)
def test_no_verdict_says_free_or_clean_or_gives_orders(name):
    words = f" {all_words(CASES[name]).lower()} "
    for forbidden in (" free", " clean ", "healthy", "release it", "hold it", "you must", "safe"):
        assert forbidden not in words


def test_none_found_states_what_would_have_shown():
    verdict = print_verdict(CASES["none"])
    assert verdict.headline == "No spore found in 6 fields, 4.1\N{NO-BREAK SPACE}mm²."
    # 0.73 per mm2 on 60 mm2 are 43.8, and a bound is never rounded down
    assert "more than about 44 spores would have shown one in 95 of 100 cases" in verdict.could_hide
    assert "None found is not none there" in verdict.could_hide
    assert "speaks against a heavy load" in verdict.supports


def test_none_found_in_too_little_does_not_rule_a_heavy_load_out():
    verdict = print_verdict(CASES["none, little examined"])
    assert "does not rule out a heavy load" in verdict.supports
    assert "600 spores" in verdict.could_hide


def test_a_print_to_be_looked_at_again_says_so_and_why():
    verdict = print_verdict(CASES["none, recheck"])
    assert verdict.supports.startswith("With the doubts named below")
    assert verdict.doubts == (REASONS["partly-out-of-focus"].words,)
    assert verdict.next_steps == (REASONS["partly-out-of-focus"].remedy,)


def test_unusable_supports_neither_decision():
    verdict = print_verdict(CASES["unusable"])
    assert verdict.case == "unusable"
    assert "neither holding nor releasing" in verdict.supports
    assert "not known" in verdict.could_hide
    assert print_verdict(CASES["unusable, objects"]).next_steps
    assert "2 objects looked like spores" in " ".join(print_verdict(CASES["unusable, objects"]).evidence)


@pytest.mark.parametrize(
    ("tally", "case"),
    [
        (CASES["none"], "none"),
        (CASES["few"], "few"),
        (CASES["many"], "many"),
        (CASES["heavy"], "heavy"),
        (CASES["unusable"], "unusable"),
        (CASES["nothing known"], "unusable"),
        (CASES["no classes"], "few"),
        (make_print(spores=400, load_class_probability=(), class_at_least=4), "heavy"),
        (make_print(spores=1, load_class_probability=FEW), "few"),
    ],
)
def test_case_of_a_print(tally, case):
    assert print_case(tally) == case


def test_classes_are_named_with_probabilities_never_bare():
    words = class_words(CASES["many"])
    assert words.startswith(
        "Likeliest load class 3 (21-100 spores): 70 in 100; class 4 (101-1000 spores): 20 in"
    )
    assert words.endswith("A heavy load (class 4 or 5): 20 in 100.")
    assert "cannot be told" in class_words(CASES["nothing known"])


def test_class_words_hold_the_published_bounds():
    # Altizer, Oberhauser & Brower 2000, Ecol. Entomol. 25:125-139; class bounds from memory
    assert LOAD_CLASSES == ("none", "1 spore", "2-20", "21-100", "101-1000", "over 1000")


def test_upper_bounds_grow_with_the_hidden_density():
    bounds = [0.01, 0.2, 1.0, 7.0, 100.0, 5000.0]
    said = [could_hide_words(make_print(could_hide_per_mm2=one)) for one in bounds]
    numbers = [float(words.split("about ")[1].split(" ")[0].replace(",", "")) for words in said]
    assert numbers == sorted(numbers)
    assert all(number >= bound * 60 for number, bound in zip(numbers, bounds, strict=True))


@pytest.mark.parametrize("value", [0.0123, 0.5, 1.0, 9.96, 43.8, 99.4, 101.0, 1234.0, 98765.0, 1e6])
def test_about_keeps_two_figures_and_up_is_never_below(value):
    near, above = (float(about(value, up=up).replace(",", "")) for up in (False, True))
    assert near == pytest.approx(value, rel=0.05)  # half a step of the second figure, at worst 5 %
    assert value * (1 - 1e-9) <= above <= value * 1.1


def test_doubtful_objects_that_add_up_are_not_passed_over():
    verdict = print_verdict(make_print(spores=0, **{**DOUBTS, "expected": 25.0}, load_class_probability=HALF))
    assert verdict.case == "doubtful"
    assert verdict.headline == (
        "Open: 0 spores found in 6 fields, 4.1\N{NO-BREAK SPACE}mm², but 50 doubtful objects decide what that "
        "means."
    )
    assert "only a re-check can tell" in verdict.supports
    assert "settle the doubtful objects before taking more photos" in verdict.stop
    few = print_verdict(make_print(spores=0, expected=1.4, doubtful_objects=3, doubtful_expected=1.4))
    assert few.headline.startswith("No sure spore found in 6 fields")
    assert "add up to about 1.4." in few.headline
    assert "With the doubtful objects, what was seen fits a whole print of up to" in few.could_hide
    assert "would have shown one" not in few.could_hide
    slight = print_verdict(make_print(spores=0, expected=0.4, doubtful_objects=1, doubtful_expected=0.4))
    assert slight.headline.startswith("No spore found")


@pytest.mark.parametrize(
    ("chances", "without", "case"),
    [(HALF, 0.02, "doubtful"), (HEAVY, 0.02, "doubtful"), (HEAVY, 0.49, "doubtful"), (HEAVY, 0.9, "heavy")],
)
def test_doubtful_objects_alone_make_no_heavy_print(chances, without, case):
    doubts = {**DOUBTS, "heavy_without_doubtful": without}
    assert print_case(make_print(spores=40, load_class_probability=chances, **doubts)) == case
    # where sure spores are more, what they say stands, unless the doubtful ones tip it
    mostly_sure = {**doubts, "expected": 60.0}
    tipped = "many" if chances is HALF else case
    chances = (*chances[:2], 0.05, 0.25, 0.3, 0.1) if chances is HALF else chances
    assert print_case(make_print(spores=40, load_class_probability=chances, **mostly_sure)) == tipped


def test_a_heavy_load_is_given_with_and_without_the_doubtful_objects():
    words = heavy_words(CASES["doubtful"])
    assert words == (
        "A heavy load (class 4 or 5): 40 in 100; 2 in 100 if none of the 50 doubtful objects is a spore."
    )
    assert heavy_words(CASES["many"]) == "A heavy load (class 4 or 5): 20 in 100."


def test_the_class_named_is_that_of_the_sure_spores():
    chances = (0.25, 0.22, 0.15, 0.05, 0.31, 0.02)
    words = class_words(make_print(load_class=0, load_class_probability=chances, **DOUBTS))
    assert words.startswith(
        "Load class by the sure spores 0 (none): 25 in 100; class 4 (101-1000 spores): 31 in"
    )
    plain = class_words(make_print(load_class=0, load_class_probability=(0.5, 0.5, 0, 0, 0, 0), **DOUBTS))
    assert plain.startswith("Likeliest load class 0 (none): 50 in 100; class 1 (1 spore): 50 in 100.")


def test_one_upper_end_of_the_whole_print_is_given_and_what_it_is():
    """Where none was found, what could hide; else the load. Never both, and the density is named as such."""
    for name, tally in CASES.items():
        verdict = print_verdict(tally)
        said = " ".join(verdict.evidence)
        assert not (verdict.could_hide and "Load: between" in said), name
        if verdict.case == "none":
            assert "95 of 100 cases" in verdict.could_hide
        elif verdict.case != "unusable":
            assert "not just density times area" in said
            assert said.startswith("Density: ")


def test_even_scatter_is_named_as_the_optimistic_case():
    words = could_hide_words(make_print(spores=0, could_hide=40.0, could_hide_even=21.0))
    assert "about 40 spores" in words
    assert "(about 21 spores if they lay evenly, which they seldom do)" in words
    assert "evenly" not in could_hide_words(make_print(spores=0, could_hide=22.0, could_hide_even=21.0))
    assert "Any load" in could_hide_words(make_print(spores=0, could_hide=math.inf))


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("measured", "on its overview photos (95 % range 17 to 24\N{NO-BREAK SPACE}mm²)"),
        ("entered", "as it was entered (17 to 24\N{NO-BREAK SPACE}mm² is allowed for)"),
        (
            "default",
            "was not measured: 21\N{NO-BREAK SPACE}mm² is taken, and 17 to 24\N{NO-BREAK SPACE}mm² allowed",
        ),
    ],
)
def test_the_area_is_told_with_its_source(source, said):
    tally = make_print(
        print_area_mm2=21.0, print_area_low_mm2=17.0, print_area_high_mm2=24.0, print_area_source=source
    )
    assert said in area_words(tally)
    assert area_words(tally) in print_verdict(tally).evidence
    assert area_words(make_print(print_area_mm2=NAN)) == ""


@pytest.mark.parametrize(
    ("verdict", "fields", "said"),
    [
        ("below", 0, "is decided (it is not), at a risk of 5 in 100"),
        ("at least", 0, "is decided (it is), at a risk of 5 in 100"),
        ("open", 1, "about 1 more field like these would decide it"),
        ("open", 3, "about 3 more fields like these would decide it"),
        ("open", -1, "stays open, even with all fields"),
    ],
)
def test_stop_rule_in_words(verdict, fields, said):
    assert said in stop_words(make_print(spores=3, heavy_verdict=verdict, fields_to_go=fields))
    assert stop_words(CASES["unusable"]) == ""


def test_why_an_unlikely_load_is_still_open_is_told():
    """Under 5 in 100, yet open at a risk of 5 in 100: the photos alone do not rule it out."""
    unlikely, likely = (0.7, 0.1, 0.15, 0.03, 0.02, 0.0), (0.5, 0.1, 0.15, 0.15, 0.1, 0.0)
    reason = "a print of 101 spores would show no more than this in over 5 in 100 cases"
    for fields in (2, -1):
        tally = make_print(spores=3, fields_to_go=fields, load_class_probability=unlikely)
        assert reason in stop_words(tally)
        assert reason not in stop_words(replace(tally, load_class_probability=likely))


def test_the_next_print_is_one_without_verdict_and_then_where_a_field_tells_most():
    settled = make_print("A", spores=3, heavy_verdict="below", next_field_bits=0.9)
    some, more = (
        make_print(name, spores=3, next_field_bits=bits) for name, bits in (("B", 0.02), ("C", 0.1))
    )
    bad = make_print("D", flag="unusable", fields=0)
    assert "photograph next: D, then C, then B. One more" in next_print_words([settled, some, more, bad])
    assert "photograph next: C, then B." in next_print_words([some, settled, more])
    assert (
        next_print_words([settled]) == "As counted, it is decided for every print whether its load is heavy."
    )
    assert next_print_words([]) == ""


def test_doubtful_objects_go_before_more_photos():
    doubtful = make_print("E", spores=0, **{**DOUBTS, "expected": 25.0}, next_field_bits=0.5)
    some = make_print("B", spores=3, next_field_bits=0.02)
    said = "Settle the doubtful objects of E before taking more photos of it."
    assert next_print_words([doubtful]) == said
    both = next_print_words([doubtful, some])
    assert "photograph next: B. One more" in both
    assert both.endswith(said)


def test_where_no_number_of_fields_decides_doubtful_objects_go_before_photos_too():
    """As `plan` says of such a print."""
    few_doubts = {"doubtful_objects": 2, "doubtful_expected": 0.4, "expected": 12.4}
    doubts = make_print("E", spores=12, **few_doubts, next_field_bits=0.5, fields_to_go=-1)
    assert next_print_words([doubts]) == "Settle the doubtful objects of E before taking more photos of it."
    assert "settle the doubtful objects before" in stop_words(doubts)
    sure = make_print("E", spores=12, next_field_bits=0.5, fields_to_go=-1)
    assert "photograph next: E" in next_print_words([sure])
    assert "stays open" in stop_words(sure)
    near = make_print("E", spores=12, **few_doubts, next_field_bits=0.5, fields_to_go=3)
    assert "photograph next: E" in next_print_words([near])


def test_readers_answer_and_keepers_decision_in_words():
    machine = make_print("A", spores=3, load_class_probability=FEW, flag="recheck")
    read = make_print("A", spores=0)
    readers = Readers({}, {}, {"A": read}, {"A": ("AB", "CD")}, {"A": 4}, {"A": ("re-test", "")})
    words = read_sentences(machine, readers)
    assert words[0].startswith(
        "With readers' decisions (4 objects decided by AB, CD): no spore found in 6 fields"
    )
    assert "would have shown one in 95 of 100 cases" in words[1]
    assert "The flag is then clear; the machine's own is recheck." in words
    assert words[-1] == "The keeper's decision: re-test."
    assert read_sentences(make_print("B"), readers) == []


def test_readers_who_disagree_are_named():
    readers = Readers(
        {}, {}, {"A": make_print("A", spores=3)}, {"A": ("AB", "CD")}, {"A": 4}, {}, (), {"A": 2}
    )
    words = " ".join(read_sentences(make_print("A", spores=3), readers))
    assert "Readers disagree on 2 objects, which stay open: not in the count" in words
    assert "A third look decides." in words


def test_odd_numbers_have_words():
    assert about(NAN) == "an unknown number"
    assert about(math.inf) == "more than can be told"
    assert about(0.0) == "0"
    assert area(NAN) == "an unknown area"
    assert in_100(NAN) == "unknown"


@pytest.mark.parametrize(
    ("value", "words"), [(0.0, "under 1"), (1.0, "over 99"), (0.5, "50"), (0.994, "over 99")]
)
def test_probabilities_claim_no_certainty(value, words):
    assert in_100(value) == f"{words} in 100"


def test_field_sentences():
    clear = make_field(10, doubtful=0).tally
    assert field_sentence(clear) == "10 spores (95 % interval 5 to 17) in 0.72\N{NO-BREAK SPACE}mm²."
    none = make_field(0).tally
    assert field_sentence(none).startswith("No spore found (up to 7 could be there) in 0.72")
    again = make_field(1, doubtful=0, flag="recheck", reasons=("ambiguous-objects", "few-fields")).tally
    assert field_sentence(again).startswith("1 spore (95 % interval")
    assert (
        "Look again: objects could be spores or not: two or more where none counts, one where all that counts"
        in field_sentence(again)
    )
    bad = make_field(2, doubtful=0, flag="unusable", reasons=("out-of-focus",)).tally
    assert field_sentence(bad).startswith("Not usable: hardly anything in the view is sharp")
    assert "2 objects looked like spores" in field_sentence(bad)
    assert count_phrase(0, 0, 0) == "No spore found"


def test_where_a_photo_is_of_no_use_nothing_asks_to_re_check_it():
    doubts, remarks, remedies = reason_words(("ambiguous-objects", "out-of-focus", "few-fields"))
    assert len(doubts) == 2
    assert len(remarks) == 1
    assert remedies == (REASONS["out-of-focus"].remedy, REASONS["few-fields"].remedy)
    assert reason_words(("ambiguous-objects",))[2] == (REASONS["ambiguous-objects"].remedy,)


def test_what_makes_a_photo_useless_is_said_before_what_a_re_check_could_settle():
    tally = make_field(0).tally
    useless = replace(
        tally, flag="unusable", reasons=("view-size-mismatch", "no-round-view", "unlike-known", "low-power")
    )
    assert field_sentence(useless).startswith("Not usable: the picture does not look like a tape print")
    again = replace(tally, flag="recheck", reasons=("few-fields", "low-power", "crowded"))
    assert "Look again: at this magnification" in field_sentence(again)
    print_of_it = make_print(flag="unusable", reasons=("approximate-scale", "out-of-focus"))
    doubts = print_verdict(print_of_it).doubts
    assert doubts == (REASONS["out-of-focus"].words, REASONS["approximate-scale"].words)


def test_attention_goes_from_heavy_to_none_whatever_the_order():
    prints = [CASES[name] for name in ("none", "few", "heavy", "unusable", "many")]
    for order in (prints, prints[::-1], [prints[2], prints[0], prints[4], prints[3], prints[1]]):
        assert [print_case(one) for one in attention_order(order)] == [
            "heavy",
            "unusable",
            "many",
            "few",
            "none",
        ]
    pair = [make_print("B", spores=0), make_print("A", spores=0, flag="recheck", reasons=("crowded",))]
    assert [one.sample for one in attention_order(pair)] == ["A", "B"]


def test_session_sentences_count_prints_photos_and_failures():
    words = " ".join(session_sentences([CASES["none"], CASES["heavy"], CASES["none, recheck"]], 18, 1))
    assert words == (
        "3 prints from 18 photos. 1 shows a likely heavy load. 2 show no spore. 1 needs a second look. "
        "1 photo could not be used."
    )


def test_why_names_what_is_unlike_the_sure_spores():
    field = make_field(40, doubtful=0)
    changed = {name: getattr(field.objects, name).copy() for name in field.objects.__dataclass_fields__}
    changed["length_um"][0], changed["amber"][0], changed["clump"][0], changed["on_scale"][0] = (
        20.0,
        0.5,
        4,
        True,
    )
    odd = make_field(40, doubtful=0)
    object.__setattr__(odd, "objects", type(field.objects)(**changed))
    words = why_words(odd, 0, np.arange(1, 40))
    for part in ("longer", "less amber", "on a scale", "in a clump of 4"):
        assert part in words
    assert "broader" not in words
    assert why_words(field, 5, np.arange(0)) == "near the line between spore and not"
