"""The look: contrast from the tokens themselves, signs in every face, style sheets that a PDF takes without a word."""

import gzip
import importlib.util
import logging
import re
from pathlib import Path

import numpy as np
import pytest
from fontTools.pens.recordingPen import DecomposingRecordingPen
from fontTools.ttLib import TTFont

from keyboards.drawing import svg

STATIC = Path(__file__).parent.parent / "static"
CSS = STATIC / "css"
FONTS = STATIC / "fonts"
TOKENS = (CSS / "tokens.css").read_text()
PAGE = (CSS / "page.css").read_text()
COLOURS = dict(re.findall(r"--([\w-]+):\s*(#[0-9A-Fa-f]{6})", TOKENS))
SIGNS = "♯♭♮✓▸◂▾⌫°−±×·–—→≤≥√"


def luminance(colour):
    """Relative luminance of an sRGB colour: WCAG 2.2, https://www.w3.org/TR/WCAG22/#dfn-relative-luminance"""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio"""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def colour(name):
    return COLOURS.get(name, name)


def test_the_contrast_of_black_on_white_is_21():
    """The worked bounds of the definition: 21 at most, 1 at least."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#777777", "#777777") == 1


@pytest.mark.parametrize("ground", ["paper", "surface", "#FFFFFF"])
@pytest.mark.parametrize("ink", ["ink", "ink-soft", "green", "green-dark", "red", "brass-dark"])
def test_text_stands_out_4_5_times_from_its_ground(ink, ground):
    assert contrast(colour(ink), colour(ground)) >= 4.5


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        ("surface", "green"),
        ("surface", "green-dark"),
        ("surface", "red"),
        ("surface", "ink"),
        ("ink", "brass-pale"),
        ("ink-soft", "brass-pale"),
        ("ink", "green-pale"),
        ("ink-soft", "green-pale"),
        ("green", "green-pale"),
        ("ink", "red-pale"),
        ("red", "red-pale"),
        ("green", "brass-pale"),
    ],
)
def test_text_on_a_tinted_ground_stands_out_too(ink, ground):
    assert contrast(colour(ink), colour(ground)) >= 4.5


@pytest.mark.parametrize("ground", ["paper", "surface"])
@pytest.mark.parametrize("edge", ["edge", "brass", "green", "red", "ink"])
def test_controls_and_marks_stand_out_3_times(edge, ground):
    assert contrast(colour(edge), colour(ground)) >= 3


@pytest.mark.parametrize("mark", [svg.INK, svg.AMBER, svg.RED, svg.GREEN, svg.EDGE, svg.BAR])
@pytest.mark.parametrize("ground", [svg.SURFACE, "#FFFFFF", svg.GREEN_PALE])
def test_points_and_lines_of_a_drawing_stand_out_3_times(mark, ground):
    assert contrast(mark, ground) >= 3


@pytest.mark.parametrize("grade", [1, 2])
def test_the_bar_stands_out_from_the_colour_of_its_block(grade):
    assert contrast(svg.BAR, svg.GRADES[grade]) >= 3


def test_the_grades_differ_in_grey():
    steps = [luminance(colour) for colour in svg.GRADES]
    assert steps == sorted(steps, reverse=True)
    assert all(contrast(a, b) > 1.4 for a, b in zip(svg.GRADES, svg.GRADES[1:], strict=False))


def test_drawings_and_pages_share_their_colours():
    names = ("ink", "ink-soft", "line", "edge", "paper", "surface", "green", "green-pale", "red", "brass")
    drawn = (
        svg.INK,
        svg.SOFT,
        svg.LINE,
        svg.EDGE,
        svg.PAPER,
        svg.SURFACE,
        svg.GREEN,
        svg.GREEN_PALE,
        svg.RED,
        svg.BRASS,
    )
    assert dict(zip(names, drawn, strict=True)) == {name: COLOURS[name] for name in names}
    assert tuple(COLOURS[name] for name in ("sound", "cloth", "wood", "spent")) == svg.GRADES


def test_pages_and_papers_have_the_same_tokens():
    """page.css begins with tokens.css; only the signs lie in another file there."""
    rules = re.compile(r"@font-face [^\n]+|--[\w-]+:[^;]+;")
    assert rules.findall(TOKENS.replace("signs.woff2", "atkinson-hyperlegible-mono-500.woff2")) == rules.findall(PAGE)


def test_every_token_that_is_used_is_there_and_every_one_there_is_used():
    sheets = "".join(path.read_text() for path in CSS.glob("*.css"))
    named = set(re.findall(r"var\(--([\w-]+)\)", sheets))
    made = set(re.findall(r"--([\w-]+):", TOKENS))
    assert named == made


def test_the_style_sheet_of_a_page_stays_small():
    assert len(gzip.compress(PAGE.encode(), 9)) < 12_000


@pytest.mark.parametrize("name", ["page.css", "print.css"])
def test_no_rule_is_written_twice(name):
    """The same selector in the same place twice means that one of them is a leftover."""
    text = re.sub(r"/\*.*?\*/", "", (CSS / name).read_text(), flags=re.S)
    outside = re.sub(r"@media[^{]*\{(?:[^{}]*\{[^{}]*\})*[^{}]*\}", "", text)
    rules = [(s.strip(), b.strip()) for s, b in re.findall(r"([^{}]+)\{([^{}]*)\}", outside)]
    assert len(rules) > 20
    assert sorted({rule for rule in rules if rules.count(rule) > 1}) == []


# Faces


def stack(name):
    return re.findall(r'"([^"]+)"', re.search(rf"--{name}:([^;]+);", TOKENS).group(1))


def faces():
    """(family, weight) -> the font file that the tokens name for it."""
    found = {}
    for rule in re.findall(r"@font-face \{([^}]+)\}", TOKENS):
        family = re.search(r'font-family: "([^"]+)"', rule).group(1)
        weight = int(re.search(r"font-weight: (\d+)", rule).group(1))
        found[family, weight] = (CSS / re.search(r'url\("([^"]+)"\)', rule).group(1)).resolve()
    return found


def test_every_face_the_sheets_name_is_shipped_and_every_file_is_named():
    assert {path.name for path in faces().values()} == {path.name for path in FONTS.glob("*.woff2")}
    assert all(path.read_bytes()[:4] == b"wOF2" for path in faces().values())


@pytest.mark.parametrize(("use", "weight"), [("slab", 600), ("sans", 400), ("sans", 700), ("mono", 700)])
def test_every_sign_is_in_the_faces_of_its_stack(use, weight):
    held = set()
    for family in stack(use):
        path = faces().get((family, weight)) or faces().get((family, 700))
        if path:
            held |= set(TTFont(path).getBestCmap())
    assert [sign for sign in SIGNS + "ŁÖçğőŞž" if ord(sign) not in held and (use != "mono" or sign in SIGNS)] == []


def test_every_letter_of_the_papers_is_in_the_faces_of_running_text():
    held = {
        chr(code)
        for family in stack("sans")
        if (path := faces().get((family, 700)))
        for code in TTFont(path).getBestCmap()
    }
    root = STATIC.parent
    written = [
        *(root / "templates").rglob("*.html"),
        *(root / "shop").rglob("*.py"),
        *(root / "keyboards").rglob("*.py"),
    ]
    read_alone = {"reckoning.py", "keys.py", "tags.py"}  # formulas of the tools' pages; signs that are taken, not shown
    assert {
        (sign, path.name)
        for path in written
        if path.name not in read_alone
        for sign in set(path.read_text())
        if ord(sign) > 0x7E and sign not in held
    } == set()


def test_every_family_has_its_licence_beside_it():
    for family in ("zilla-slab", "atkinson-hyperlegible-next", "atkinson-hyperlegible-mono"):
        assert "SIL Open Font License, Version 1.1" in (FONTS / f"{family}-OFL.txt").read_text()
    assert "Zero-Clause BSD" in (STATIC / "js/htmx.LICENSE.txt").read_text()


def outlines(font):
    glyphs = font.getGlyphSet()
    drawn = {}
    for code, name in font.getBestCmap().items():
        pen = DecomposingRecordingPen(glyphs)
        glyphs[name].draw(pen)
        drawn[code] = (glyphs[name].width, pen.value)
    return drawn


def test_the_signs_shipped_are_the_signs_drawn(tmp_path):
    spec = importlib.util.spec_from_file_location("draw_signs", FONTS / "draw_signs.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.main(tmp_path)
    fresh, shipped = (outlines(TTFont(folder / "signs.woff2")) for folder in (tmp_path, FONTS))
    assert fresh == shipped
    assert shipped[0x266F][1]


def test_the_figures_hold_the_signs_as_they_are_drawn():
    """A page fetches one file for both, whose grid has 500 units where that of the signs alone has 1000."""
    signs, figures = (
        outlines(TTFont(FONTS / name)) for name in ("signs.woff2", "atkinson-hyperlegible-mono-500.woff2")
    )
    for code in set(signs) - {0x20}:
        (width, drawn), (half, there) = signs[code], figures[code]
        assert half == pytest.approx(width / 2, abs=0.5)
        assert [kind for kind, _ in there] == [kind for kind, _ in drawn]
        for (_, points), (_, halved) in zip(drawn, there, strict=True):
            assert np.abs(np.array(halved) - np.array(points) / 2).max(initial=0) <= 0.5


@pytest.mark.parametrize("name", ["zilla-slab-600", "atkinson-hyperlegible-next-400", "atkinson-hyperlegible-next-700"])
def test_the_faces_of_words_keep_their_kerning(name):
    font = TTFont(FONTS / f"{name}.woff2")
    letters = font.getBestCmap()
    (pairs,) = font["GPOS"].table.LookupList.Lookup[0].SubTable
    first, second = (letters[ord(letter)] for letter in "To")
    row = pairs.Class1Record[pairs.ClassDef1.classDefs.get(first, 0)].Class2Record
    assert row[pairs.ClassDef2.classDefs[second]].Value1.XAdvance < -10


@pytest.mark.parametrize("weight", [400, 700])
def test_the_faces_of_running_text_have_figures_of_one_width(weight):
    font = TTFont(FONTS / f"atkinson-hyperlegible-next-{weight}.woff2")
    letters = font.getBestCmap()
    (tabular,) = font["GSUB"].table.LookupList.Lookup[0].SubTable
    widths = font["hmtx"].metrics
    assert (
        len({widths[tabular.mapping.get(letters[ord(figure)], letters[ord(figure)])][0] for figure in "0123456789"})
        == 1
    )


# PDFs


@pytest.fixture
def pdf(caplog):
    weasyprint = pytest.importorskip("weasyprint")
    caplog.set_level(logging.WARNING, logger="weasyprint")
    logging.getLogger("weasyprint").addHandler(caplog.handler)

    def make(body, *sheets):
        links = "".join(f'<link rel="stylesheet" href="css/{name}">' for name in ("tokens.css", "print.css", *sheets))
        html = f'<!doctype html><html lang="en"><head><title>x</title>{links}</head>{body}</html>'
        return weasyprint.HTML(string=html, base_url=f"{STATIC}/").render()

    yield make
    logging.getLogger("weasyprint").removeHandler(caplog.handler)


BODY = """<body class="document" data-page="Page" data-of="of">
<p class="running">K-0147</p><p class="page-foot">Ask us.</p><h1>Your keyboard</h1>
<table class="plain"><thead><tr><th>Key</th></tr></thead><tbody><tr><td>A♯5 Łódź é à la ł mode</td></tr></tbody></table>
<div class="options"><article class="option">one</article><article class="option">two</article></div>
<ul class="photos"><li>x</li></ul><h2 class="new-page">More <span class="figure">5.66 B♭3</span></h2></body>"""


@pytest.mark.parametrize(("sheet", "size"), [("paper-a4.css", (210, 297)), ("paper-letter.css", (215.9, 279.4))])
def test_a_pdf_takes_the_sheet_without_a_word_on_both_papers(pdf, caplog, sheet, size):
    page = pdf(BODY, sheet).pages[0]
    assert (page.width / 96 * 25.4, page.height / 96 * 25.4) == pytest.approx(size, abs=0.1)
    assert caplog.messages == []


def test_a_pdf_has_its_own_faces_and_no_other(pdf, caplog, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    path = tmp_path / "x.pdf"
    pdf(BODY, "paper-a4.css").write_pdf(path)
    assert caplog.messages == []  # every letter and space has its glyph
    used = set()
    for page in pypdf.PdfReader(path).pages:
        for font in page["/Resources"]["/Font"].values():
            used.add(font.get_object()["/BaseFont"].split("+")[1])
    assert any("Signs" in name for name in used)
    assert {re.split(r"[-,]", name)[0] for name in used} <= {"Zilla", "Atkinson", "Balance"}


def test_a_pdf_counts_its_pages_in_the_words_given(pdf, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    path = tmp_path / "x.pdf"
    pdf(BODY.replace('data-page="Page" data-of="of"', 'data-page="Seite" data-of="von"'), "paper-a4.css").write_pdf(
        path
    )
    first, second = (page.extract_text() for page in pypdf.PdfReader(path).pages)
    assert "Seite 1 von 2" in first
    assert "Seite 2 von 2" in second
    assert "Ask us." in first
    assert "K-0147" not in first
    assert "K-0147" in second
