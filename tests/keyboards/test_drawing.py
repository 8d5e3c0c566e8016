"""The drawings, read back as XML: what is drawn, that nothing hostile gets in, and that a PDF draws the same."""

import logging
import re
from dataclasses import replace
from io import BytesIO
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.drawing import plots as plotting
from keyboards.drawing.bars import Bar, bars, histogram
from keyboards.drawing.curve import Mark, Zone, curve
from keyboards.drawing.key_section import Button, SectionWords, Stick, plan_view, side_view, sign_picture, signed
from keyboards.drawing.plots import Axis, Band, Limit, Plot, Section, Series, written
from keyboards.drawing.row import KeyFace, RowWords, button_row, describe_row, small_row
from keyboards.drawing.svg import GRADES, escape, num

SVG = "{http://www.w3.org/2000/svg}"
NAMES = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"]
WORDS = RowWords(("sound", "cloth worn", "wood damaged", "button spent"), "not read", "missing", "broken")
SECTION_WORDS = SectionWords(
    original="original",
    bought="bought part",
    playing_end="playing end",
    bass="bass",
    treble="treble",
    stick="key stick",
    button="button",
    pin="balance pin",
    cover="cover",
    offset="offset",
)
HOSTILE = '"><script>alert(1)</script>&\x00\x1b]]>'


def compass(count=88, first=21, **changes):
    """Keys of a compass whose first note has the MIDI number `first`; grades 0 to 3 in turn."""
    keys = []
    for i in range(count):
        note = first + i
        keys.append(
            KeyFace(
                number=i + 1,
                name=f"{NAMES[note % 12]}{note // 12 - 1}",
                sharp=note % 12 in (1, 3, 6, 8, 10),
                grade=i % 4,
                skew_deg=0.0,
            )
        )
    return [replace(key, **changes) for key in keys]


def row(keys=None, **options):
    return button_row(keys or compass(), **{"uid": "row", "title": "Buttons", "words": WORDS, **options})


def read(svg):
    """The picture, its paths told by places: a chain of shapes tells each by how far it is from the one before."""
    root = ElementTree.fromstring(svg)
    for node in root.iter():
        if node.get("d"):
            node.set("d", by_places(node.get("d")))
    return root


def by_places(path):
    """M for each m of a path (https://www.w3.org/TR/SVG2/paths.html); what is drawn between is left as it is."""
    told = []
    x = y = start_x = start_y = 0.0
    for command, rest in re.findall(r"([A-Za-z])([^A-Za-z]*)", path):
        values = [float(v) for v in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", rest)]
        match command:
            case "M" | "m":
                x, y = (values[0], values[1]) if command == "M" else (x + values[0], y + values[1])
                start_x, start_y = x, y
                command, rest = "M", f"{x:.1f} {y:.1f}"
            case "L":
                x, y = values[-2:]
            case "l":
                x, y = x + sum(values[::2]), y + sum(values[1::2])
            case "a":
                x, y = x + sum(values[5::7]), y + sum(values[6::7])
            case "H" | "h":
                x = sum(values) + (x if command == "h" else 0)
            case "V" | "v":
                y = sum(values) + (y if command == "v" else 0)
            case "z":
                x, y = start_x, start_y
            case _:
                raise AssertionError(command)
        told.append(command + rest)
    return "".join(told)


def by_class(root, name):
    return [node for node in root.iter() if name in node.get("class", "").split()]


def pieces(root, name):
    """How many closed shapes or strokes the paths of one class hold."""
    return sum(node.get("d", "").count("M") for node in by_class(root, name))


def boxes_of(root):
    """Left edge, width and height of each link, which stand in groups of their own measure."""
    found = []
    for group in next(iter(by_class(root, "links"))):
        x, _, across, down = map(float, re.findall(r"[\d.]+", group.get("transform")))
        for box in group.iter(f"{SVG}rect"):
            left, width, height = (float(box.get(name)) for name in ("x", "width", "height"))
            found.append((x + left * across, width * across, height * down))
    return found


def words_of(root):
    return [node.text for node in root.iter(f"{SVG}text")]


WIDTHS = Plot(
    "mortise width",
    "mm",
    [Series({n: 5.5 + n / 1000 for n in range(1, 89)})],
    Band(5.45, 5.55, "one cloth fits"),
    outliers=frozenset({7}),
)
SKEWS = Plot("skew", "°", [Series({n: n / 50 for n in range(1, 89)})], decimals=1, centre=0)
EVERY_PICTURE = {
    "row": lambda words="x": row(
        title=words, description=words, href="/k/{number}/", plots=[WIDTHS, SKEWS], current=62
    ),
    "split row": lambda words="x": row(split=3, width=340, title=words, plots=[WIDTHS], current=62),
    "live row": lambda words="x": row(live=True, title=words, plots=[WIDTHS], current=62),
    "small row": lambda words="x": small_row("0123.-" * 14, title=words),
    "side": lambda words="x": side_view(
        Stick(24, 14, 18, 3.7),
        Button(40, 13, 8, 14, 5.5, 1.5),
        bought=Button(32, 13, 8, 14, 5.5),
        uid="a",
        title=words,
        words=replace(SECTION_WORDS, cover=words, button=words),
    ),
    "plan": lambda words="x": plan_view(
        Button(40, 13, 8, 14, 5.5, 1.5, 0.4), uid="a", title=words, words=replace(SECTION_WORDS, bass=words)
    ),
    "signs": lambda words="x": sign_picture(uid="a", title=words, words=replace(SECTION_WORDS, treble=words)),
    "curve": lambda words="x": curve(
        [(10, 109), (40, 100), (60, 92)],
        uid="a",
        title=words,
        x_title=words,
        y_title=words,
        zones=[Zone(10, 20, words, strong=True)],
        marks=[Mark(40, 100, words, original=True), Mark(30, 103, words)],
    ),
    "bars": lambda words="x": bars(
        [Bar(words, 2.5, 3)], uid="a", title=words, unit="h", before_label=words, width=2000
    ),
    "histogram": lambda words="x": histogram(
        [5.5, 5.6, 5.6], uid="a", title=words, unit=words, step=0.05, band=Band(5.5, 5.6, words)
    ),
}


@pytest.fixture(params=EVERY_PICTURE, ids=str)
def picture(request):
    return EVERY_PICTURE[request.param]


# Every drawing


def test_a_picture_has_a_name_for_those_who_do_not_see_it(picture):
    root = read(picture("the buttons"))
    image = root if root.get("role") == "img" else next(node for node in root if node.get("role") == "img")
    if image.get("aria-label"):
        assert image.get("aria-label") == "the buttons"
    else:
        named = {node.get("id"): node.text for node in root.iter() if node.get("id")}
        assert named[image.get("aria-labelledby").split()[0]] == "the buttons"


def test_a_picture_says_everything_in_attributes_the_content_policy_allows(picture):
    svg = picture()
    root = read(svg)
    assert not [node for node in root.iter() if node.get("style") or node.tag in (f"{SVG}style", f"{SVG}script")]
    assert not re.search(r"\son\w+=", svg)


def test_hostile_words_stay_words(picture):
    root = read(picture(HOSTILE))
    assert not list(root.iter(f"{SVG}script"))
    assert "<script" not in picture(HOSTILE)


@pytest.mark.parametrize("uid", ["", "a b", '"x', "7up", "a\n"])
def test_an_id_that_could_break_the_page_is_refused(uid):
    with pytest.raises(ValueError, match="uid"):
        row(uid=uid)


def test_coordinates_are_short_and_never_minus_zero():
    assert [num(v) for v in (12.0, 12.54, 0.5, -0.5, -0.04, 0.0, 100.0, -3.25)] == [
        "12",
        "12.5",
        ".5",
        "-.5",
        "0",
        "0",
        "100",
        "-3.2",
    ]


@given(st.text())
def test_any_text_is_one_xml_text(words):
    clean = read(f'<svg xmlns="http://www.w3.org/2000/svg" a="{escape(words)}">{escape(words)}</svg>')
    forbidden = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
    # XML itself turns line ends into \n, and white space in an attribute into blanks.
    assert (clean.text or "") == forbidden.sub("\ufffd", words).replace("\r\n", "\n").replace("\r", "\n")


@pytest.mark.parametrize("decimals", [0, 1, 2])
def test_a_figure_never_reads_minus_zero(decimals):
    assert written(-0.0001, decimals) == written(0.0, decimals)
    assert written(-1.25, 1) in ("−1.2", "−1.3")
    assert (signed(1.5, 1), signed(-1.5, 1), signed(-0.01, 1)) == ("+1.5", "−1.5", "0.0")


# The row


@pytest.mark.parametrize(("count", "first", "sharps"), [(88, 21, 36), (85, 21, 35), (73, 28, 30), (61, 36, 25)])
def test_a_row_has_a_block_and_a_front_for_every_key_of_its_compass(count, first, sharps):
    root = read(row(compass(count, first)))
    assert sum(pieces(root, f"g{grade}") for grade in range(4)) == count
    assert (pieces(root, "sharps"), pieces(root, "naturals")) == (sharps, count - sharps)


def test_each_c_is_named_under_its_front():
    assert [w for w in words_of(read(row())) if w.startswith("C")] == [f"C{n}" for n in range(1, 9)]
    assert "F♯2" in words_of(read(row(compass(40, 42))))


def test_a_name_at_the_edge_stays_inside_the_picture():
    root = read(row())
    width = float(root.get("viewBox").split()[2])
    last = next(node for node in root.iter(f"{SVG}text") if node.text == "C8")
    assert (last.get("text-anchor"), float(last.get("x")) <= width) == ("end", True)


def test_the_bar_tells_the_grade_without_colour():
    heights = {}
    for grade in range(4):
        bars_drawn = by_class(read(row(compass(1, grade=grade))), "bars")
        path = bars_drawn[0].get("d") if bars_drawn else "v0"
        heights[grade] = float(re.search(r"v([\d.]+)", path).group(1))
    assert heights[0] == 0 < heights[1] < heights[2] < heights[3]


def test_a_missing_key_leaves_a_hatched_gap_at_its_place():
    keys = compass()
    keys[10] = replace(keys[10], missing=True, grade=None)
    root = read(row(keys))
    assert sum(pieces(root, f"g{grade}") for grade in range(4)) == 87
    gap, front = by_class(root, "missing")
    assert gap.get("d").count("M") >= 5
    start = float(re.match(r"M([\d.]+)", front.get("d")).group(1))
    pitch = (1104 - 2 - 2) / 88
    assert start == pytest.approx(2 + 10 * pitch, abs=pitch / 3)


def test_an_unread_key_is_neither_sound_nor_missing():
    root = read(row(compass(12, grade=None, skew_deg=None)))
    assert pieces(root, "unread") == 12
    assert not by_class(root, "g0")
    assert not by_class(root, "missing")


def test_a_broken_key_and_a_marked_key_carry_a_sign():
    keys = compass()
    keys[3] = replace(keys[3], broken=True)
    keys[5] = replace(keys[5], marks=("two readings differ",))
    root = read(row(keys, href="/k/{number}/"))
    assert pieces(root, "broken") == 1
    assert pieces(root, "marks") == 1
    titles = [node.findtext(f"{SVG}title") for node in root.iter(f"{SVG}a")]
    assert titles[3] == "4 C1: button spent, broken"
    assert titles[5] == "6 D1: cloth worn, two readings differ"


def corners(path):
    """The four corners of a mortise path."""
    x, y, *steps = [float(v) for v in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", path)]
    points = [(x, y)]
    for dx, dy in zip(steps[::2], steps[1::2], strict=True):
        points.append((points[-1][0] + dx, points[-1][1] + dy))
    return points


def mortise_of(svg):
    root = read(svg)
    found = next(
        node
        for node in root.iter(f"{SVG}path")
        if "l" in node.get("d", "") and node.get("stroke-linejoin") == "round" and not node.get("class")
    )
    return corners(found.get("d"))


@pytest.mark.parametrize(("skew", "to_the_treble"), [(2.0, True), (-2.0, False)])
def test_a_plus_skew_takes_the_playing_end_to_the_treble(skew, to_the_treble):
    """One convention everywhere: plus leans to the treble. Below is the playing end, on the right the treble."""
    points = sorted(mortise_of(row(compass(1, skew_deg=skew))), key=lambda p: p[1])
    top = sum(x for x, _ in points[:2]) / 2
    foot = sum(x for x, _ in points[2:]) / 2
    assert (foot > top) == to_the_treble
    assert abs(foot - top) > 1


def test_opposite_skews_are_mirror_pictures():
    plus, minus = (mortise_of(row(compass(1, skew_deg=skew))) for skew in (3.0, -3.0))
    middle = sum(x for x, _ in plus) / 4
    mirrored = sorted((2 * middle - x, y) for x, y in plus)
    assert [p for point in sorted(minus) for p in point] == pytest.approx(
        [p for point in mirrored for p in point], abs=0.25
    )


def test_the_skew_is_drawn_as_many_times_larger_as_the_note_says():
    plain, larger = (mortise_of(row(compass(1, skew_deg=2.0), skew_scale=scale)) for scale in (1, 3))

    def lean(points):
        points = sorted(points, key=lambda p: p[1])
        return (points[2][0] + points[3][0] - points[0][0] - points[1][0]) / 2

    assert lean(larger) == pytest.approx(3 * lean(plain), abs=0.4)
    assert "drawn 3 times larger" in words_of(read(row(words=replace(WORDS, note="drawn 3 times larger"))))


def test_a_column_leads_to_its_key_over_the_whole_height():
    root = read(row(href="/jobs/K-0147/checks/5/keys/{number}/", plots=[WIDTHS], sections=[Section(1, 88, "all")]))
    links = list(root.iter(f"{SVG}a"))
    assert [link.get("href") for link in links] == [f"/jobs/K-0147/checks/5/keys/{n}/" for n in range(1, 89)]
    boxes = boxes_of(root)
    height = float(root.get("viewBox").split()[3])
    assert all(tall > height * 0.9 for _, _, tall in boxes)
    assert boxes[1][0] - boxes[0][0] == pytest.approx(boxes[0][1])


def test_a_picture_with_links_is_a_group_whose_drawing_is_the_image():
    root = read(row(href="/k/{number}/"))
    assert root.get("role") == "group"
    image = next(node for node in root if node.get("role") == "img")
    assert not list(image.iter(f"{SVG}a"))


def test_the_current_key_is_outlined_at_its_place():
    for number in (1, 62, 88):
        root = read(row(current=number))
        outline, caret = list(by_class(root, "now")[0])
        pitch = (1104 - 4) / 88
        assert float(re.match(r"M([\d.]+)", outline.get("d")).group(1)) == pytest.approx(
            2 + (number - 1) * pitch, abs=1.5
        )
        assert caret.get("d").endswith("z")
    assert not by_class(read(row()), "now")


def test_a_split_row_holds_every_key_once_and_breaks_between_two_naturals():
    keys = compass()
    root = read(row(keys, split=3, width=340))
    assert sum(pieces(root, f"g{grade}") for grade in range(4)) == 88
    assert pieces(root, "sharps") == 36
    width, height = (float(v) for v in root.get("viewBox").split()[2:])
    assert width == 340
    assert height > 3 * 60
    narrowest = min(
        float(re.search(r"h([\d.]+)", node.get("d")).group(1)) for node in by_class(root, "g1") if node.get("d")
    )
    assert narrowest > 2.25 * (340 / 88)


@pytest.mark.parametrize("bad", [{"split": 0}, {"split": 9}, {"width": float("nan")}, {"width": 0.0}])
def test_a_size_that_cannot_be_drawn_is_refused(bad):
    with pytest.raises(ValueError, match=r"split|width|upwards"):
        row(**bad)


def test_a_row_without_keys_or_with_a_number_twice_is_refused():
    with pytest.raises(ValueError, match="at least one key"):
        button_row([], uid="a", title="x", words=WORDS)
    with pytest.raises(ValueError, match="same number"):
        row([compass(1)[0], compass(1)[0]])


@pytest.mark.parametrize("bad", [{"grade": 4}, {"skew_deg": float("nan")}, {"skew_deg": 90.0}])
def test_a_face_that_cannot_be_is_refused(bad):
    with pytest.raises(ValueError, match=r"grade|skew"):
        compass(1, **bad)


def test_the_words_of_a_row_count_every_key():
    keys = compass()
    keys[0] = replace(keys[0], missing=True, grade=None)
    keys[1] = replace(keys[1], grade=None)
    keys[2] = replace(keys[2], broken=True)
    assert describe_row(keys, WORDS) == (
        "88 keys A0 to C8: 21 sound, 21 cloth worn, 22 wood damaged, 22 button spent, 1 not read, 1 broken, 1 missing."
    )
    assert describe_row(compass(2, grade=1), WORDS) == "2 keys A0 to A♯0: 2 cloth worn."


def test_the_full_row_with_two_plots_stays_under_40_kilobytes():
    keys = compass(skew_deg=1.7)
    svg = row(
        keys, plots=[WIDTHS, SKEWS], href="/jobs/K-0147/checks/1234/keys/{number}/", current=62, description="x" * 200
    )
    assert len(svg.encode()) < 40_000


def test_a_live_row_has_an_element_for_every_key_and_every_point():
    root = read(row(live=True, plots=[replace(WIDTHS, quantity="balance_mortise_width", series=[Series({1: 5.5})])]))
    assert [int(node.get("data-key")) for node in by_class(root, "key")] == list(range(1, 89))
    plot = by_class(root, "plot")[0]
    points = by_class(plot, "point")
    assert len(points) == 88
    assert [len(node) for node in points] == [2] * 88
    assert plot.get("data-quantity") == "balance_mortise_width"
    # A script places a point by these numbers: the one point that is drawn must lie where they say.
    low, high, top, bottom = (float(plot.get(f"data-{name}")) for name in ("low", "high", "top", "bottom"))
    y = bottom - (5.5 - low) / (high - low) * (bottom - top)
    x = float(root.get("data-x")) + float(root.get("data-pitch")) / 2
    drawn = [float(v) for v in re.findall(r"[\d.]+", points[0][1].get("d"))[:2]]
    assert drawn == pytest.approx([x, y], abs=0.1)


# Plots


def plot_of(**options):
    values = {"title": "width", "unit": "mm", "series": [Series({1: 5.5, 2: 5.7, 3: 9.9})], **options}
    return read(row(compass(3), plots=[Plot(**values)]))


def test_inside_outside_and_impossible_differ_in_shape():
    root = plot_of(band=Band(5.4, 5.6), outliers=frozenset({3}))
    shapes = {name: by_class(root, name)[0].get("d") for name in ("inside", "outside", "odd")}
    assert [shape.count("M") for shape in shapes.values()] == [1, 1, 3]  # an impossible one: two strokes and a ring
    assert "h.1" in shapes["inside"]
    assert shapes["outside"].endswith("z")
    assert "a4.9" in shapes["odd"]


def test_the_edge_of_the_band_belongs_to_it():
    root = plot_of(series=[Series({1: 5.4, 2: 5.6, 3: 5.601})], band=Band(5.4, 5.6))
    assert by_class(root, "outside")[0].get("d").count("M") == 1


def test_an_impossible_reading_does_not_squeeze_the_others():
    plot = Plot("w", "mm", [Series({1: 5.5, 2: 5.6, 3: 55.0})], outliers=frozenset({3}))
    assert Axis.of(plot).high < 6
    assert Axis.of(replace(plot, outliers=frozenset())).high > 50


def test_a_value_beyond_the_axis_is_an_arrowhead_at_its_edge():
    root = plot_of(series=[Series({1: 5.5, 2: 5.5, 3: 6.5})], band=Band(5.4, 5.6), low=5.3, high=5.7)
    arrow = by_class(root, "outside")[0].get("d")
    assert "h8" in arrow


def test_points_rise_with_their_values():
    root = read(row(compass(4), plots=[Plot("w", "mm", [Series({1: 5.1, 2: 5.2, 3: 5.3, 4: 5.4})])]))
    ys = [float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)h", by_class(root, "inside")[0].get("d"))]
    assert ys == sorted(ys, reverse=True)
    assert len(set(ys)) == 4


def test_a_point_stands_in_the_column_of_its_key():
    root = read(row(plots=[replace(WIDTHS, band=None, outliers=frozenset())], href="/k/{number}/"))
    xs = [float(x) for x in re.findall(r"M([\d.]+) [\d.]+h", by_class(root, "inside")[0].get("d"))]
    for x, (left, width, _) in zip(xs, boxes_of(root), strict=True):
        assert x == pytest.approx(left + width / 2, abs=0.2)


def test_before_is_a_ring_joined_to_after():
    series = [Series({1: 0.3, 2: 0.4}, "before", hollow=True), Series({1: 0.05, 2: 0.06}, "after")]
    root = read(row(compass(2), plots=[Plot("clearance", "mm", series)]))
    assert pieces(root, "before") == 2 + 1  # and one in the head
    assert {"before", "after"} <= set(words_of(root))


def test_sections_limits_and_bands_are_named():
    plot = Plot(
        "skew",
        "°",
        [Series(dict.fromkeys(range(1, 89), 0.0))],
        Band(-1, 1, "as built"),
        [Limit(1.5, "shop limit")],
        [Section(1, 60, "square", 0.0), Section(61, 88, "fans", 0.0, 2.0)],
    )
    root = read(
        row(plots=[plot], sections=[Section(1, 26, "bass"), Section(27, 60, "middle"), Section(61, 88, "treble")])
    )
    assert {"skew, °", "as built", "shop limit", "square", "fans", "bass", "middle", "treble"} <= set(words_of(root))
    first, second = re.findall(r"M[\d.]+ ([\d.]+)L[\d.]+ ([\d.]+)", by_class(root, "levels")[0].get("d"))
    assert first[0] == first[1]
    assert float(second[1]) < float(second[0])


def test_a_fan_goes_on_where_a_split_row_broke_it():
    plot = Plot("skew", "°", [Series({n: n / 50 for n in range(1, 89)})], sections=[Section(1, 88, "fans", 0.0, 2.0)])
    root = read(row(plots=[plot], split=2, width=600))
    ends = []
    for field in by_class(root, "plot"):
        grid = by_class(field, "grid")[0].get("d")
        zero = max(float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)H", grid))
        line = by_class(field, "levels")[0].get("d")
        ends.append([zero - float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", line)])
    (start, broken_off), (taken_up, stop) = ends
    step = (stop - start) / 87
    assert start == pytest.approx(0, abs=0.2)
    assert taken_up - broken_off == pytest.approx(step, abs=0.25)
    assert stop - taken_up == pytest.approx((stop - start) / 2, rel=0.1)


def test_a_flat_set_is_not_blown_up_to_look_uneven():
    axis = Axis.of(Plot("w", "mm", [Series({1: 5.5, 2: 5.501})]))
    assert axis.high - axis.low >= 0.04


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_value_that_is_no_number_is_refused(value):
    with pytest.raises(ValueError, match="key 3"):
        Plot("w", "mm", [Series({3: value})])


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(2, 8))
def test_the_named_values_of_an_axis_are_round_few_and_inside(low, width, most):
    high = low + width
    ticks = plotting.round_values(low, high, most)
    assert len(ticks) <= most + 1
    slack = (high - low) * 1e-6 + abs(low) * 1e-9
    assert all(low - slack <= tick <= high + slack for tick in ticks)


# The small row


def test_a_small_row_shows_every_key_in_16_units_and_under_6_kilobytes():
    worst = "".join("0123"[(i * 7) % 4] for i in range(88))
    svg = small_row(worst, title="a set")
    root = read(svg)
    assert root.get("height") == "16"
    assert len(svg.encode()) < 6_000
    assert pieces(root, "sharps") == 36


def test_a_small_row_rises_with_the_grade():
    heights = []
    for grade in "123":
        drawn = by_class(read(small_row(grade, title="x")), f"g{grade}")[0].get("d")
        heights.append(float(re.search(r"v-([\d.]+)", drawn).group(1)))
    assert heights == sorted(heights)
    assert len(set(heights)) == 3


def test_a_small_row_starts_at_its_own_first_note():
    """E1, MIDI 28: the first sharps are F sharp, G sharp and A sharp, keys 3, 5 and 7."""
    sharps = by_class(read(small_row("0" * 8, title="x", first_note=28)), "sharps")[0].get("d")
    assert [(float(x) - 0.5) / 4 + 1 for x in re.findall(r"M([\d.]+)", sharps)] == [3, 5, 7]


@pytest.mark.parametrize("grades", ["", "01x", "4", "0 1", "０"])
def test_a_small_row_of_anything_else_is_refused(grades):
    with pytest.raises(ValueError, match="grades"):
        small_row(grades, title="x")


# One key


def plan_mortise(skew, offset=0.0):
    root = read(plan_view(Button(40, 13, 8, 14, 5.5, skew, offset), uid="a", title="x", words=SECTION_WORDS))
    points = [float(v) for v in re.findall(r"-?[\d.]+", by_class(root, "mortise")[0].get("d"))]
    return list(zip(points[::2], points[1::2], strict=True)), root


@pytest.mark.parametrize("skew", [3.0, -3.0])
def test_the_plan_turns_the_mortise_as_the_row_does(skew):
    points, root = plan_mortise(skew)
    points.sort(key=lambda p: p[1])
    lean = (points[2][0] + points[3][0] - points[0][0] - points[1][0]) / 2
    assert (lean > 0) == (skew > 0)
    assert ("+3.0°" if skew > 0 else "−3.0°") in words_of(root)


def test_the_plan_moves_the_mortise_to_the_treble_by_a_plus_offset():
    centred, _ = plan_mortise(0.0)
    moved, root = plan_mortise(0.0, 1.0)
    assert sum(x for x, _ in moved) > sum(x for x, _ in centred)
    assert "offset +1.0" in words_of(root)


def test_the_sign_picture_shows_plus_leaning_to_the_treble():
    root = read(sign_picture(uid="a", title="x", words=SECTION_WORDS))
    for name, towards in (("plus", 1), ("minus", -1)):
        numbers = [float(v) for v in re.findall(r"-?[\d.]+", by_class(root, name)[0].get("d"))]
        points = sorted(zip(numbers[::2], numbers[1::2], strict=True), key=lambda p: p[1])
        assert (points[2][0] + points[3][0] - points[0][0] - points[1][0]) * towards > 0
    assert {"← bass", "treble →", "↓ playing end"} <= set(words_of(root))


def test_the_side_view_reckons_the_cover_of_the_slot():
    """Half the button less half the slot, where nothing is offset: 40 over 14 leaves 13."""
    stick = Stick(24, 14, 18, 3.7)
    for length, cover in ((40, "cover 13.0"), (32, "cover 9.0"), (12, "cover −1.0")):
        root = read(side_view(stick, Button(length, 13, 8, 10, 5.5), uid="a", title="x", words=SECTION_WORDS))
        assert words_of(root).count(cover) == 2


def test_a_bought_part_stands_at_the_scale_of_the_original():
    stick, original, bought = Stick(24, 14, 18, 3.7), Button(40, 13, 8, 14, 5.5), Button(32, 13, 8, 14, 5.5)
    root = read(side_view(stick, original, bought=bought, uid="a", title="x", words=SECTION_WORDS))
    first, second = by_class(root, "button")
    assert float(second.get("width")) / float(first.get("width")) == pytest.approx(32 / 40, abs=0.002)
    middles = [float(node.get("x")) + float(node.get("width")) / 2 for node in (first, second)]
    assert middles[0] == pytest.approx(middles[1], abs=0.11)
    assert {"original", "bought part"} <= set(words_of(root))


@pytest.mark.parametrize(
    "make",
    [
        lambda: Button(0, 13, 8, 14, 5.5),
        lambda: Button(40, float("nan"), 8, 14, 5.5),
        lambda: Button(40, 13, 8, 14, 5.5, 60),
        lambda: Button(40, 13, 8, 14, 5.5, 0, 13),
        lambda: Stick(24, 14, 24, 3.7),
    ],
)
def test_a_part_that_cannot_be_is_refused(make):
    with pytest.raises(ValueError, match="must be"):
        make()


# Curve and bars


def test_a_curve_keeps_its_marks_on_the_line_and_names_the_zone():
    root = read(EVERY_PICTURE["curve"]("here"))
    line = [float(v) for v in re.findall(r"[\d.]+", by_class(root, "line")[0].get("d"))]
    circle = next(root.iter(f"{SVG}circle"))
    assert [float(circle.get("cx")), float(circle.get("cy"))] == pytest.approx(line[2:4], abs=0.11)
    assert len(by_class(root, "zone")) == 1


@pytest.mark.parametrize("points", [[(1, 1)], [(1, 1), (1, 2)], [(2, 1), (1, 2)], [(1, float("nan")), (2, 2)]])
def test_a_curve_that_is_none_is_refused(points):
    with pytest.raises(ValueError, match="point"):
        curve(points, uid="a", title="x", x_title="x", y_title="y")


def test_bars_are_as_long_as_their_values():
    root = read(bars([Bar("Strip", 2, 4), Bar("Cloth", 1)], uid="a", title="x", decimals=1))
    before = [float(node.get("width")) for node in by_class(root, "before")]
    after = [float(node.get("width")) for node in by_class(root, "after")]
    assert before[0] == pytest.approx(2 * after[0], abs=0.2)
    assert after[0] == pytest.approx(2 * after[1], abs=0.2)
    with pytest.raises(ValueError, match="0 or more"):
        bars([Bar("x", -1)], uid="a", title="x")


def test_a_histogram_counts_every_value_once():
    values = [5.5, 5.55, 5.6, 5.6, 5.65, 0.15 / 0.05 * 2 - 0.35]
    root = read(histogram(values, uid="a", title="x", unit="mm", step=0.05))
    boxes = re.findall(r"M[\d.]+ ([\d.]+)V([\d.]+)", by_class(root, "counts")[0].get("d"))
    heights = [float(foot) - float(head) for foot, head in boxes]
    assert [round(h / min(heights)) for h in heights] == [1, 1, 2, 2]
    assert ">7.0<" in histogram([5.5], uid="a", title="x", unit="mm", step=0.05, beside=[7.0], decimals=1)
    with pytest.raises(ValueError, match="larger step"):
        histogram([0, 1000], uid="a", title="x", unit="mm", step=0.01)


# PDFs


@pytest.fixture(scope="module")
def pdf_log():
    """What WeasyPrint complains about while the pictures are drawn."""
    weasyprint = pytest.importorskip("weasyprint")
    records = []

    class Keep(logging.Handler):
        def emit(self, record):
            records.append(record.getMessage())

    handler = Keep(logging.WARNING)
    logger = logging.getLogger("weasyprint")
    logger.addHandler(handler)
    yield weasyprint, records
    logger.removeHandler(handler)


def test_a_pdf_draws_every_picture_without_a_warning(pdf_log):
    weasyprint, records = pdf_log
    for make in EVERY_PICTURE.values():
        html = f'<html lang="en"><title>x</title><body>{make("word")}</body></html>'
        assert weasyprint.HTML(string=html).write_pdf().startswith(b"%PDF")
    assert records == []


def test_a_pdf_shows_the_grades_in_their_colours(pdf_log):
    """What the picture says in attributes must reach the page: the four fills, as the PDF's own colour commands."""
    weasyprint, _ = pdf_log
    pypdf = pytest.importorskip("pypdf")
    page = pypdf.PdfReader(BytesIO(weasyprint.HTML(string=row()).write_pdf(uncompressed_pdf=True))).pages[0]
    drawn = page.get_contents().get_data().decode("latin-1")
    drawn += "".join(
        form.get_object().get_data().decode("latin-1") for form in page["/Resources"].get("/XObject", {}).values()
    )
    used = {
        tuple(round(float(v) * 255) for v in fill.split()) for fill in re.findall(r"((?:[\d.]+ ){3})(?:rg|scn)", drawn)
    }
    for colour in GRADES:
        assert tuple(bytes.fromhex(colour[1:])) in used
