"""The button drawing on paper, at full size, one group a block, with a length to check the printer by."""

from typing import Any

from django.utils.translation import gettext as _

from keyboards.core.keys import format_keys
from keyboards.drafting import Standing, blanks_of, cut_of, size_words
from keyboards.drawing.button import Words, blanks_drawn, check_length, working_drawing
from keyboards.models import Compass
from keyboards.specpage import sign_svg
from shop.cautions import CAUTIONS
from shop.documents.pdf import make_pdf

# What fits beside the margins of A4 and Letter alike, mm.
_WIDEST, _HIGHEST = 178.0, 200.0


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
    groups: list[dict[str, Any]] = []
    for number, group in enumerate(drawing.contents["groups"], start=1):
        cut = cut_of(group)
        sizes = {name: size_words(name, group[name], units) for name in ("length", "width", "height")}
        sizes |= {name: size_words(name, group[name], units) for name in ("mortise_length", "mortise_width")}
        sizes["mortise_length"] = size_words("mortise_length", group["mortise_length"], "mm")
        sizes["mortise_width"] = size_words("mortise_width", group["mortise_width"], "mm")
        sizes["skew"] = size_words("skew", group["skew"], units)
        sizes["offset"] = _("%(size)s off the middle") % {"size": size_words("offset", group["offset"], units)}
        title = _("Group %(number)d, full size") % {"number": number}
        keys = group["keys"]
        groups.append(
            {
                "number": number,
                "svg": working_drawing(cut, uid=f"group-{number}", title=title, words=words, sizes=sizes),
                "fits": cut.length + 60 < _HIGHEST and cut.width + cut.height + 60 < _WIDEST,
                "keys": format_keys(keys),
                "names": ", ".join(names.name(key) for key in keys[:12]) + (" …" if len(keys) > 12 else ""),
                "count": len(keys),
                "spares": group["spares"],
                "sizes": sizes,
            }
        )
    blanks = [
        {
            **row,
            "svg": blanks_drawn(
                row["layouts"],
                blank=drawing.contents["blank"],
                kerf=drawing.contents["kerf"],
                uid=f"blanks-{place}",
                title=_("How the blanks are sawn"),
                lengths="{length}",
            ),
        }
        for place, row in enumerate(blanks_of(drawing.contents), start=1)
    ]
    return make_pdf(
        "documents/drawing.html",
        {
            "job": drawing.job,
            "drawing": drawing,
            "made_at": drawing.made_at,
            "standing": standing,
            "groups": groups,
            "blanks": blanks,
            "check": check_length(
                uid="check", title=_("Lengths to check the printer by"), metric=_("100.0 mm"), inches=_("2.000 in")
            ),
            "sign": sign_svg(units),
            "units": units,
            "cautions": [CAUTIONS["drawing"], CAUTIONS["machines"], CAUTIONS["dust"]],
        },
    )
