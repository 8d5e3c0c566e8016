"""Rows -> cloth to cut: which cloth for which keys at which pins, its pieces, strips and sheets, its lots on the shelf.

The cloths are those of the advice, section by section. A key that is drawn a new button has the mortise of its drawing;
every other one the mortise that was read. Nothing is kept here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from django.db.models import Prefetch
from django.utils.translation import gettext as _

from keyboards.advising import advise, cloths_for, fits
from keyboards.core.assumptions import Assumed
from keyboards.core.cutting import ClothSheet, cloth_sheet
from keyboards.core.fit import classify_key, fitted_clearance
from keyboards.core.keys import format_keys
from keyboards.drawing.button import cloth_drawn
from keyboards.forms.numbers import said
from keyboards.models import CheckKind, Drawing
from keyboards.specifying import SetReadings, set_readings
from shop.models import Job, Lot, Material, MaterialKind, Use

BALANCE, FRONT = "balance", "front"


@dataclass(frozen=True)
class ClothToCut:
    """One cloth: its thickness in mm (None where no width says it yet), the keys at each rail, what to cut of it, its
    material and lots on the shelf in words, whether those lots are on this set already."""

    thickness: float | None
    balance: tuple[int, ...]
    front: tuple[int, ...]
    found: ClothSheet
    lots: tuple[str, ...]
    used: bool


@dataclass(frozen=True)
class ClothsToCut:
    """All of a set. too_wide: keys at each rail that no cloth fills before the wood is mended; provisional: widths were
    read with the old cloth in; drawn: the drawing whose mortises count, 0 for none."""

    rows: tuple[ClothToCut, ...]
    assumed: Assumed
    too_wide: Mapping[str, tuple[int, ...]]
    provisional: bool
    drawn: int


def cloths_to_cut(job: Job) -> ClothsToCut | None:
    """What to cut for all keys that are here, two pieces a mortise; None where the keys are not written down."""
    readings = set_readings(job)
    if not readings.present:
        return None
    advice = advise(job)
    held = advice.assumed
    drawing = Drawing.objects.filter(job=job).first()
    drawn = (
        {key: group["mortise_width"] for group in drawing.contents["groups"] for key in group["keys"]}
        if drawing
        else {}
    )
    mortises = {
        BALANCE: _mortises(readings, "balance", drawn, held.pin),
        FRONT: _mortises(readings, "front", {}, None),
    }
    chosen: dict[float | None, dict[str, list[int]]] = {}
    too_wide: dict[str, list[int]] = {BALANCE: [], FRONT: []}
    for section in advice.sections:
        for rail, known in mortises.items():
            cloths, wide = _of_section([key for key in section.keys if key in known], known, held)
            too_wide[rail] += wide
            for key in section.keys:
                chosen.setdefault(cloths.get(key), {BALANCE: [], FRONT: []})[rail].append(key)
    shelf = _shelf(job)
    rows = []
    for thickness in sorted(chosen, key=lambda one: (one is None, one)):
        keys = chosen[thickness]
        found = cloth_sheet(
            len(keys[BALANCE]) + len(keys[FRONT]),
            held.cloth_piece,
            held.cloth_strip,
            held.sheet_length,
            held.sheet_width,
            spare=held.cloth_spare,
        )
        lots, used = shelf.get(round(thickness * 1000), ((), False)) if thickness else ((), False)
        rows.append(ClothToCut(thickness, tuple(keys[BALANCE]), tuple(keys[FRONT]), found, lots, used))
    return ClothsToCut(
        tuple(rows),
        held,
        {rail: tuple(keys) for rail, keys in too_wide.items() if keys},
        any(
            kinds and CheckKind.STRIPPED not in kinds
            for kinds in (readings.kinds_of(f"{rail}_mortise_width") for rail in mortises)
        ),
        drawing.version if drawing else 0,
    )


def _mortises(
    readings: SetReadings, rail: str, drawn: Mapping[int, float], nominal: float | None
) -> dict[int, tuple[float, float]]:
    """key -> (width, pin) in mm where both are known and the pin enters."""
    widths = readings.of(f"{rail}_mortise_width") | {key: drawn[key] for key in drawn if key in set(readings.present)}
    pins = readings.of(f"{rail}_pin")
    usual = median(pins.values()) if pins else nominal
    known = {key: (width, pins.get(key, usual)) for key, width in widths.items()}
    return {key: (width, pin) for key, (width, pin) in known.items() if pin is not None and width > pin}


def _of_section(
    keys: Sequence[int], known: Mapping[int, tuple[float, float]], held: Assumed
) -> tuple[dict[int, float], list[int]]:
    """(key -> its cloth, keys too wide for every cloth): one cloth for the section, two where two serve more keys; a
    key that neither serves has the stocked one that does."""
    if not keys:
        return {}, []
    one, two = cloths_for([known[key] for key in keys], held)
    choice = two if two.fitted > one.fitted else one
    wide = [keys[position - 1] for position in choice.unfit.get("oversize", ())]
    cloths = {}
    for key, cloth in zip(keys, choice.assignments, strict=True):
        if key in wide:
            continue
        width, pin = known[key]
        if not fits(fitted_clearance(width, pin, cloth, held.compression), held):
            own = classify_key(width, pin, held.compression, held.clearance, held.stock, held.lower, held.upper)
            cloth = own.cloth if own.status == "fit" else cloth
        cloths[key] = cloth
    return cloths, wide


def _shelf(job: Job) -> dict[int, tuple[tuple[str, ...], bool]]:
    """Thickness in um -> (material and lots in words, whether they are on this set already), without bad lots."""
    used = set(Use.objects.filter(job=job).values_list("lot_id", flat=True))
    good = Prefetch("lots", queryset=Lot.objects.filter(bad_since__isnull=True))
    cloths = Material.objects.filter(kind=MaterialKind.CLOTH, retired_at__isnull=True, thickness__isnull=False)
    found: dict[int, list[tuple[Material, list[Lot]]]] = {}
    for material in cloths.prefetch_related(good):
        if lots := list(material.lots.all()):
            found.setdefault(material.thickness or 0, []).append((material, lots))
    out = {}
    for thickness, materials in found.items():
        own = [(material, [lot for lot in lots if lot.pk in used]) for material, lots in materials]
        own = [(material, lots) for material, lots in own if lots]
        words = tuple(
            _("%(material)s, lot %(lots)s")
            % {"material": material.title, "lots": _(" or ").join(lot.code for lot in lots)}
            for material, lots in own or materials
        )
        out[thickness] = (words, bool(own))
    return out


# --- in words and drawn --------------------------------------------------------------------------


@dataclass(frozen=True)
class ClothRow:
    """One cloth for its row in the table."""

    title: str
    balance: str
    front: str
    pieces: int
    strips: int
    sheets: int
    left: str
    lots: tuple[str, ...]
    shelf: str
    svg: str


def cloth_rows(cloths: ClothsToCut, unit: str) -> list[ClothRow]:
    """The cloths in words, each with how its sheets are cut; lengths in the person's unit."""
    held = cloths.assumed
    rows = []
    for number, row in enumerate(cloths.rows, start=1):
        title = said(row.thickness, unit) if row.thickness else _("not known yet")
        shelf = ""
        if row.thickness:
            shelf = _("on this set already") if row.used else "" if row.lots else _("none on the shelf")
        svg = cloth_drawn(
            row.found.layout,
            piece=(held.cloth_piece, held.cloth_strip),
            sheet=(held.sheet_length, held.sheet_width),
            uid=f"cloth-{number}",
            title=_("How the sheet is cut, cloth %(cloth)s") % {"cloth": title},
        )
        rows.append(
            ClothRow(
                title,
                format_keys(row.balance),
                format_keys(row.front),
                row.found.pieces,
                row.found.strips,
                row.found.sheets,
                f"{row.found.waste:.0%}".replace("%", " %"),
                row.lots,
                shelf,
                svg,
            )
        )
    return rows


def cloth_sizes(cloths: ClothsToCut, unit: str) -> str:
    """What the pieces and sheets are reckoned with, in a sentence."""
    held = cloths.assumed
    words = {
        name: said(getattr(held, name), unit, 1)
        for name in ("cloth_piece", "cloth_strip", "sheet_length", "sheet_width")
    }
    words["spare"] = f"{held.cloth_spare:.0%}".replace("%", " %")
    return (
        _(
            "Two pieces a mortise, %(cloth_piece)s off strips %(cloth_strip)s wide, %(spare)s more as spares; sheets of"
            " %(sheet_length)s along the strips by %(sheet_width)s."
        )
        % words
    )


def cloth_warnings(cloths: ClothsToCut) -> list[str]:
    """What to think of before it is cut."""
    said_so = []
    if cloths.provisional:
        said_so.append(_("Provisional: mortises were read before stripping. Cut after the stripped check."))
    for rail, keys in cloths.too_wide.items():
        words = (
            _("Too wide for every cloth in stock: balance mortises %(keys)s. Mend the wood or renew the button first.")
            if rail == BALANCE
            else _("Too wide for every cloth in stock: front mortises %(keys)s. Mend the wood first.")
        )
        said_so.append(words % {"keys": format_keys(keys)})
    if cloths.drawn:
        said_so.append(
            _("Keys with a new button are reckoned with the mortise of drawing %(version)d.")
            % {"version": cloths.drawn}
        )
    return said_so
