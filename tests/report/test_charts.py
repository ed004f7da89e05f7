"""Charts, drawn figures and the map: numbers in, the same SVG out."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from sporecount.report.charts import classes_chart, counts_chart, density_chart, size_chart
from sporecount.report.figures import class_bars_svg, load_ruler_svg
from sporecount.report.print_map import FieldPlace, print_map_svg
from tests.report.examples import make_field, make_print

NAN = float("nan")


def parse(svg):
    return ElementTree.fromstring(svg)


def tallies(*counts, **changes):
    return [
        (number, make_field(count, number=number, **changes).tally) for number, count in enumerate(counts, 1)
    ]


def all_charts():
    rng = np.random.default_rng(5)
    return {
        "size": size_chart(rng.normal(11.5, 0.6, 300)),
        "density": density_chart([tally for _, tally in tallies(0, 3, 40, 700)]),
        "counts": counts_chart(tallies(4, 0, 12), "A & <B>"),
        "classes": classes_chart([make_print("A $x$ <b> 漢字"), make_print("B")]),
    }


def test_charts_are_well_formed_svg_and_the_same_each_time():
    charts = all_charts()
    assert charts == all_charts()
    for name, chart in charts.items():
        assert parse(chart).tag.endswith("svg"), name
        assert "<metadata" not in chart
        assert "<!DOCTYPE" not in chart
        assert 'role="img"' in chart
        assert re.search(r'aria-label="[^"]+"', chart)


def test_charts_follow_the_page_and_stand_alone():
    for chart in all_charts().values():
        assert "var(--chart-ink, #1a2227)" in chart
        colours = set(re.findall(r"#[0-9a-f]{6}", chart))
        assert colours <= {"#1a2227", "#5b686f", "#8fa3a8"}, "greys only, so that nothing hangs on colour"


def test_ids_of_different_charts_do_not_meet():
    """Only the ids that are referred to matter: they must not point into another chart."""
    ids = [set(re.findall(r"url\(#([^)]+)\)", chart)) for chart in all_charts().values()]
    assert sum(map(len, ids)) == len(set.union(*ids))


def test_too_little_gives_no_chart():
    assert size_chart(np.array([11.0, NAN, 12.0])) == ""
    assert density_chart([]) == ""
    assert counts_chart([]) == ""
    assert classes_chart([make_print(load_class_probability=(NAN,) * 6)]) == ""


def test_size_chart_names_the_median():
    # median and quartiles of 8, 9, 10, 11, 12 are 10, 9 and 11
    chart = size_chart(np.array([8.0, 9.0, 10.0, 11.0, 12.0]))
    assert "typical 10.0 µm, middle half 9.0 to 11.0 µm" in chart


def test_counts_are_told_apart_by_shape():
    shapes = set()
    for flag in ("clear", "recheck", "unusable"):
        chart = counts_chart(tallies(5, 9, flag=flag), "x")
        shapes.add(re.sub(r"id=\"[^\"]*\"|#[0-9a-z]+", "", chart))
    assert len(shapes) == 3


def test_an_unusable_field_has_no_place_on_the_scale():
    """Its number says nothing: no mark and no interval, not even in the scale's length."""
    good = tallies(5, 9)
    bad = counts_chart([*good, *tallies(4000, flag="unusable")[:1]], "x")
    assert bad == counts_chart([*good, *tallies(3, flag="unusable")[:1]], "x")
    assert len(re.findall(">no count<", bad)) == 1
    assert "no count" not in counts_chart(good, "x")
    assert parse(counts_chart(tallies(7, 8, flag="unusable"), "x")) is not None


def test_many_fields_fit():
    chart = counts_chart(tallies(*range(200), doubtful=0), "x")
    assert "60 of 200 fields" in chart


def positions(svg, name):
    return [float(x) for x in re.findall(rf'<path class="{name}" d="M[\d.]+ \d+H([\d.]+)"', svg)]


def test_ruler_is_logarithmic_and_keeps_order():
    prints = [make_print(spores=n, load_low=n * 10, load_high=n * 20) for n in (1, 10, 100, 1000)]
    ends = [positions(load_ruler_svg(one), "span")[0] for one in prints]
    assert ends == sorted(ends)
    # 200, 2000 and 20000 spores lie a decade apart each
    assert ends[2] - ends[1] == pytest.approx(ends[3] - ends[2], abs=0.3)
    assert ends[-1] < 346
    for one in prints:
        parse(load_ruler_svg(one))


def test_ruler_without_spores_shows_what_could_hide():
    svg = load_ruler_svg(make_print(spores=0, could_hide_per_mm2=1.0))
    assert "up to 60 could be there" in svg
    assert 'class="best hollow"' in svg
    assert positions(svg, "hide")
    assert not positions(svg, "span")
    assert not positions(load_ruler_svg(make_print(spores=3, could_hide_per_mm2=1.0)), "hide")
    assert load_ruler_svg(make_print(density_per_mm2=NAN)) == ""


def test_class_bars_are_as_long_as_probable():
    svg = class_bars_svg(make_print(load_class_probability=(0.5, 0.25, 0.25, 0.0, 0.0, 0.0)))
    parse(svg)
    widths = [float(width) for width in re.findall(r'class="band \w+" x="104" y="\d+" width="([\d.]+)"', svg)]
    assert widths == pytest.approx([75.0, 37.5, 37.5])
    assert class_bars_svg(make_print(load_class_probability=())) == ""


def test_numbers_on_the_map_stand_outside_their_circles_and_clear_of_others():
    spots = np.random.default_rng(1).normal(size=(400, 2)) * 350 + 1000
    places = [
        FieldPlace(number, x, y, 1000.0, spots + np.array([x - 1000, y - 1000]))
        for number, (x, y) in enumerate([(1000.0, 1000.0), (2400.0, 1000.0), (1000.0, 3100.0)], 1)
    ]
    tree = parse(print_map_svg(places))
    circles = [one for one in tree.iter() if one.tag.endswith("circle")]
    numbers = [one for one in tree.iter() if one.get("class") == "number"]
    assert len(numbers) == 3
    width, height = map(float, tree.get("viewBox").split()[2:])
    for text in numbers:
        x, y = float(text.get("x")), float(text.get("y")) - 6  # of the middle of the number
        assert 8 < x < width - 8
        assert 8 < y < height - 40
        for one in circles:
            off = np.hypot(x - float(one.get("cx")), y - float(one.get("cy")))
            assert off > float(one.get("r")) + 5


def test_map_keeps_places_and_scale():
    spots = np.array([[500.0, 500.0], [NAN, 1.0]])
    outline = np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]])
    places = [FieldPlace(1, 1000.0, 1000.0, 1000.0, spots, (outline,)), FieldPlace(2, 3000.0, 1000.0, 1000.0)]
    svg = print_map_svg(places, 'A "<1>"')
    tree = parse(svg)
    circles = [one for one in tree.iter() if one.tag.endswith("circle")]
    # 4 mm across are drawn 600 wide, so a radius of 1 mm is 150, and centres lie 300 apart
    assert [float(one.get("r")) for one in circles] == [150.0, 150.0]
    assert float(circles[1].get("cx")) - float(circles[0].get("cx")) == pytest.approx(300, abs=0.2)
    assert svg.count("h0") == 1
    assert "1 mm" in svg
    assert print_map_svg([]) == ""
    assert print_map_svg([FieldPlace(1, NAN, 0.0, 1.0)]) == ""
    assert svg == print_map_svg(places, 'A "<1>"')
    patterns = {re.search(r'<pattern id="([^"]+)"', print_map_svg(places, name))[1] for name in "AB"}
    assert len(patterns) == 2, "two maps fit into one page"
