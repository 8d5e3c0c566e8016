"""The button drawing on paper, at full size, one group a block, with a length to check the printer by."""

from typing import Any

from django.utils.translation import gettext as _

from keyboards.core.keys import format_keys
from keyboards.drafting import (
    SIZES,
    Standing,
    allowed_of,
    allowed_words,
    blanks_of,
    cut_of,
    offset_read,
    size_words,
    wood_of,
)
from keyboards.drawing.button import Words, check_length, extent, walls, working_drawing
from keyboards.models import Compass
from keyboards.specpage import blanks_svg, sign_svg, too_long
from shop.cautions import CAUTIONS
from shop.documents.pdf import make_pdf

# What fits beside the margins of A4 and Letter alike, mm.
_WIDEST, _HIGHEST = 178.0, 200.0
_FIGURES = 70.0  # mm that the table of figures needs beside a drawing


def drawing_pdf(standing: Standing, units: str) -> bytes:
    """The PDF of one version. The same version in the same state makes the same bytes."""
    drawing = standing.drawing
    names = Compass.objects.get(job=drawing.job).keys
    words = Words(
        plan=_("from above"),
        side=_("from the side"),
        end=_("from the end"),
        bass=_("← bass"),
        treble=_("treble →"),
        playing_end=_("↓ playing end"),
        off=_("off the middle"),
    )
    least = allowed_of(drawing.contents)["wall"]
    off = allowed_words(drawing.contents)
    groups: list[dict[str, Any]] = []
    for number, group in enumerate(drawing.contents["groups"], start=1):
        cut = cut_of(group)
        sizes = {name: size_words(name, group[name], units) for name in SIZES}
        bass_wall, treble_wall = walls(cut)
        drawn = sizes | {
            "bass_wall": size_words("wall", bass_wall, "mm").removesuffix(" mm"),
            "treble_wall": size_words("wall", treble_wall, "mm").removesuffix(" mm"),
        }
        middle = sizes["offset"] if offset_read(group) else _("not read: %(size)s") % {"size": sizes["offset"]}
        drawn["offset"] = _("%(size)s off the middle") % {"size": sizes["offset"]}
        wide, high = extent(cut)
        keys = group["keys"]
        groups.append(
            {
                "number": number,
                "svg": working_drawing(
                    cut,
                    uid=f"group-{number}",
                    title=_("Group %(number)d, full size") % {"number": number},
                    words=words,
                    sizes=drawn,
                ),
                "fits": wide <= _WIDEST and high <= _HIGHEST,
                "beside": wide <= _WIDEST - _FIGURES,
                "keys": format_keys(keys),
                "names": ", ".join(names.name(key) for key in keys[:12]) + (" …" if len(keys) > 12 else ""),
                "count": len(keys),
                "spares": group["spares"],
                "figures": [
                    (_("Length"), sizes["length"], off["length"], False),
                    (_("Width"), sizes["width"], off["width"], False),
                    (_("Height"), sizes["height"], off["height"], False),
                    (_("Mortise, length"), sizes["mortise_length"], "", False),
                    (_("Mortise, width"), sizes["mortise_width"], "", False),
                    (_("Angle"), sizes["skew"], off["skew"], False),
                    (_("Off the middle"), middle, off["offset"] if offset_read(group) else "", not offset_read(group)),
                    *(
                        (title, size_words("wall", wall, units), off["wall"], wall < least)
                        for title, wall in ((_("Wood, bass side"), bass_wall), (_("Wood, treble side"), treble_wall))
                    ),
                ],
            }
        )
    contents = drawing.contents
    blanks = [
        {
            "row": row,
            "svg": blanks_svg(row, contents, f"blanks-{place}") if row.found else "",
            "cannot": too_long(row, contents["blank"], units),
        }
        for place, row in enumerate(blanks_of(contents), start=1)
    ]
    return make_pdf(
        "documents/drawing.html",
        {
            "job": drawing.job,
            "drawing": drawing,
            "made_at": drawing.made_at,
            "standing": standing,
            "groups": groups,
            "wood": wood_of(contents),
            "blanks": blanks,
            "check": check_length(
                uid="check", title=_("Lengths to check the printer by"), metric=_("100.0 mm"), inches=_("2.000 in")
            ),
            "sign": sign_svg(units),
            "units": units,
            "cautions": [CAUTIONS["drawing"], CAUTIONS["machines"], CAUTIONS["dust"]],
        },
    )
