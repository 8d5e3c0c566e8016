"""Cut the shipped text faces out of the published ones: what README.txt says of them is done here.

Nobody needs it to run the program. Whoever takes a newer release of a family unpacks the three npm packages that
README.txt names side by side into one folder and says

    python static/fonts/make_faces.py FOLDER static/fonts

What English pages of the program are written with, counted on all of them, stands in the first file of a family. Any
other letter waits in the "extended" one, which a browser fetches when a page holds it. Kerning is kept between letters
and what stands beside them in a sentence, where it moves a letter by 8 thousandths of its size or more.
"""

import io
import sys
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

from fontTools import merge, subset
from fontTools.feaLib.builder import addOpenTypeFeaturesFromString
from fontTools.ttLib import TTFont
from fontTools.ttLib.scaleUpem import scale_upem

Pairs = dict[tuple[str, str], int]

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
FIGURES = LETTERS + "0123456789 \u00a0.,:-–—−·()/+=×±°%"
HEADINGS = LETTERS + "0123456789 \u00a0.,:;-–—−·!?'\"‘’“”()/&+%"
BOLD = HEADINGS + "°"
WORDS = BOLD + "…=×±@_"
BESIDE = " .,-–’"
LEAST = 8
EPOCH = 3786825600  # 2024-01-01 in font time, so that the same is cut byte for byte
GRID = 500  # units to a letter's size, of the published 1000: half as fine, a fiftieth of a point in a heading on paper


def published(folder: Path, family: str, part: str, weight: int) -> TTFont:
    return TTFont(folder / family / "package" / "files" / f"{family}-{part}-{weight}-normal.woff2")


def cut(font: TTFont, letters: set[int], features: list[str]) -> TTFont:
    """The face with these letters alone, without hints."""
    options = subset.Options()
    options.hinting = options.notdef_outline = False
    options.layout_features = features
    options.drop_tables += ["STAT", "gasp"]
    options.name_IDs = [1, 2, 4, 6]
    cutter = subset.Subsetter(options)
    cutter.populate(unicodes=letters)
    cutter.subset(font)
    return again(font)


def again(font: TTFont) -> TTFont:
    """Written and read back, so that what hangs on the tables' old order is gone."""
    kept = io.BytesIO()
    font.flavor = None
    font.save(kept)
    return TTFont(kept)


def lining(font: TTFont) -> None:
    """Figures stand on the line and are as tall as capitals, without being asked to."""
    table = font["GSUB"].table
    tall = {}
    for feature in table.FeatureList.FeatureRecord:
        if feature.FeatureTag == "lnum":
            for index in feature.Feature.LookupListIndex:
                for part in table.LookupList.Lookup[index].SubTable:
                    tall.update(part.mapping)
    for letters in font["cmap"].tables:
        letters.cmap.update({code: tall[name] for code, name in letters.cmap.items() if name in tall})


def kerning(font: TTFont) -> Pairs:
    """Two letters -> by how much the second moves, whatever subtables say it."""
    table = font["GPOS"].table
    wanted = {
        index
        for feature in table.FeatureList.FeatureRecord
        if feature.FeatureTag == "kern"
        for index in feature.Feature.LookupListIndex
    }
    moved: defaultdict[tuple[str, str], int] = defaultdict(int)
    for index in sorted(wanted):
        told: Pairs = {}  # of a lookup, the first subtable that knows a pair
        for part in table.LookupList.Lookup[index].SubTable:
            part = getattr(part, "ExtSubTable", part)
            if part.Format == 1:
                for first, row in zip(part.Coverage.glyphs, part.PairSet, strict=True):
                    for pair in row.PairValueRecord:
                        told.setdefault((first, pair.SecondGlyph), _across(pair.Value1))
            else:
                for first in part.Coverage.glyphs:
                    row = part.Class1Record[part.ClassDef1.classDefs.get(first, 0)].Class2Record
                    for second in font.getGlyphOrder():
                        told.setdefault((first, second), _across(row[part.ClassDef2.classDefs.get(second, 0)].Value1))
        for pair, value in told.items():
            moved[pair] += value
    return dict(moved)


def _across(value: object) -> int:
    return getattr(value, "XAdvance", 0) if value else 0


def kern_visibly(font: TTFont) -> None:
    """Leave the pairs that meet in writing and can be seen; equal ones are told of once, as classes."""
    written = {name: chr(code) for code, name in font.getBestCmap().items()}
    pairs = {
        (first, second): value
        for (first, second), value in kerning(font).items()
        if abs(value) >= LEAST and _meet(written.get(first, ""), written.get(second, ""))
    }
    del font["GPOS"]
    rows: defaultdict[str, Pairs] = defaultdict(dict)
    columns: defaultdict[str, Pairs] = defaultdict(dict)
    for (first, second), value in pairs.items():
        rows[first][first, second] = columns[second][first, second] = value
    place = font.getGlyphOrder().index
    firsts = _alike(rows, 1, place)
    seconds = _alike(columns, 0, place)
    rules = [
        f"pos [{' '.join(some)}] [{' '.join(others)}] {pairs[some[0], others[0]]};"
        for some in firsts
        for others in seconds
        if (some[0], others[0]) in pairs
    ]
    addOpenTypeFeaturesFromString(font, f"feature kern {{ {' '.join(rules)} }} kern;", tables=["GPOS"])


def _meet(first: str, second: str) -> bool:
    if not (first and second and {first, second} <= set(LETTERS + BESIDE)):
        return False
    return not (first.islower() and second.isupper())


def _alike(told: dict[str, Pairs], other: int, place: Callable[[str], int]) -> list[list[str]]:
    """Letters of which the same is told, together. other: which of a pair is the other letter."""
    groups: defaultdict[tuple[tuple[str, int], ...], list[str]] = defaultdict(list)
    for name in sorted(told, key=place):
        groups[tuple(sorted((pair[other], value) for pair, value in told[name].items()))].append(name)
    return list(groups.values())


def first_face(font: TTFont, letters: str, features: list[str]) -> TTFont:
    face = cut(font, {ord(letter) for letter in letters}, features)
    if "GPOS" in face:
        kern_visibly(face)
    if "GDEF" in face:
        del face["GDEF"]
    return face


def extended_face(fonts: list[TTFont], letters: str) -> TTFont:
    """All other letters, of all the parts; with a space, which a PDF takes from the face of the letter before."""
    first = {ord(letter) for letter in letters} - {0x20, 0xA0}
    taken: set[int] = set()
    merger = merge.Merger()
    parts = []
    for font in fonts:
        letters = set(font.getBestCmap()) - first - taken
        taken |= letters
        kept = io.BytesIO()
        cut(font, letters, ["ccmp", "locl"]).save(kept)
        kept.seek(0)
        parts.append(kept)
    return merger.merge(parts)


def with_signs(face: TTFont, signs: TTFont) -> TTFont:
    """The face with the signs of signs.woff2 in it, so that a page fetches one file for both."""
    lacking = set(signs.getBestCmap()) - set(face.getBestCmap())
    drawn = cut(signs, lacking, [])
    names = drawn.getBestCmap()
    for code in sorted(names):
        name = f"sign{code:04X}"
        face["glyf"][name] = drawn["glyf"][names[code]]
        face["hmtx"][name] = drawn["hmtx"][names[code]]
        for letters in face["cmap"].tables:
            letters.cmap[code] = name
    face["post"].isFixedPitch = 0
    return again(face)


def write(face: TTFont, path: Path) -> None:
    scale_upem(face, GRID)
    face["head"].created = face["head"].modified = EPOCH
    face.recalcTimestamp = False
    face.flavor = "woff2"
    face.save(path)


def main(folder: Path, shipped: Path) -> None:
    slab, sans, mono = "zilla-slab", "atkinson-hyperlegible-next", "atkinson-hyperlegible-mono"
    parts = [published(folder, slab, part, 600) for part in ("latin", "latin-ext")]
    write(extended_face(parts, HEADINGS), shipped / f"{slab}-extended-600.woff2")
    font = published(folder, slab, "latin", 600)
    lining(font)
    write(first_face(font, HEADINGS, ["kern"]), shipped / f"{slab}-600.woff2")
    for weight, letters in ((400, WORDS), (700, BOLD)):
        parts = [published(folder, sans, part, weight) for part in ("latin", "latin-ext")]
        write(extended_face(parts, letters), shipped / f"{sans}-extended-{weight}.woff2")
        face = first_face(published(folder, sans, "latin", weight), letters, ["kern", "tnum"])
        write(face, shipped / f"{sans}-{weight}.woff2")
    face = first_face(published(folder, mono, "latin", 500), FIGURES, [])
    write(with_signs(face, TTFont(shipped / "signs.woff2")), shipped / f"{mono}-500.woff2")
    parts = [published(folder, mono, part, 500) for part in ("latin", "latin-ext")]
    write(extended_face(parts, FIGURES), shipped / f"{mono}-extended-500.woff2")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
