"""What the bench run needs to work without network: one check with everything about it, as plain values for a script.

Values are canonical integers (keyboards/core/quantities.py); the script turns them into the person's unit.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from keyboards.advising import assumptions_for
from keyboards.core import fit
from keyboards.core.assumptions import Assumed, final_limits
from keyboards.core.entries import MORTISE_OF, PIN_OF, READING, WITHDRAW, in_force, reading_value
from keyboards.core.grading import WORN
from keyboards.core.quantities import QUANTITIES
from keyboards.models import Check, Compass, Finding, FindingGroup, Gauge, GaugeKind, KeyReading
from keyboards.sheets import floor_of
from keyboards.words import entry_unit, quantity_title, unit_sign
from keyboards.workflow.entries import BARE, measures
from shop.models import Person

_FEWEST = 5  # readings under which none is far from the others


def run_data(check: Check, compass: Compass, person: Person) -> dict[str, Any]:
    """Everything the run knows when it begins. Seven queries, however many keys and readings."""
    held = assumptions_for(check.job)
    rows = {row.key: row for row in check.keys.all()}
    earlier, before = _earlier(check, compass)
    repeats, last = _readings(check, rows, person)
    gauges = list(Gauge.objects.filter(retired_at__isnull=True))
    return {
        "check": {
            "id": check.pk,
            "title": f"{check.job.tag} · {check.get_kind_display()}",
            "closed": check.is_closed,
            "bare": check.kind in BARE,
        },
        "person": {
            "id": person.pk,
            "name": person.short_name,
            "units": person.units,
            "left": person.left_handed,
            "sound": person.sound,
            "position": person.decimal_by_position,
        },
        "addresses": {
            "operations": reverse("operations", args=[0]),
            "photos": reverse("photo_send", args=[0]),
            "token": reverse("bench_token"),
            "worker": reverse("bench_worker"),
            "key": reverse("key_detail", args=[check.job.number, check.pk, 0]),
        },
        "keys": [
            {"n": key, "name": compass.keys.name(key), "sharp": compass.keys.is_sharp(key)} for key in compass.keys.keys
        ],
        "missing": list(compass.missing),
        "sections": [[part.first, part.last] for part in compass.keys.sections()],
        "sample": list(check.sample),
        "quantities": [_quantity(check, slug, person.units, held, gauges) for slug in check.quantities],
        "gauge": check.gauge_id,
        "gauges": [
            {"id": gauge.pk, "name": gauge.name, "plug": gauge.kind == GaugeKind.PLUG, "sizes": gauge.sizes}
            for gauge in gauges
        ],
        "holds": {str(key): _holds(row) for key, row in rows.items()},
        "repeats": repeats,
        "last": last,
        "earlier": {"title": earlier, "values": before},
        "findings": _findings(),
        "worn": [[worn.quantity, worn.above, worn.grade] for worn in WORN],
        "spread": {"k": held.outlier_k, "fewest": _FEWEST},
        "words": words(),
    }


def _holds(row: KeyReading) -> dict[str, Any]:
    values = {quantity: value for quantity in QUANTITIES if (value := getattr(row, quantity)) is not None}
    return {"values": values, "findings": row.findings, "again": row.again, "note": row.note, "grade": row.grade}


def _readings(
    check: Check, rows: dict[int, KeyReading], person: Person
) -> tuple[dict[str, list[list[int]]], list[Any] | None]:
    """Quantity -> groups [key, reading, ...] of one key, where its row does not say as much by its one value; and
    [key, quantity] of what the person read last."""
    fields = ("op", "kind", "key", "quantity", "value", "high", "finding", "text", "withdraws", "gauge_id", "taken_at")
    groups: dict[tuple[str, int], list[int]] = {}
    last: list[Any] | None = None
    for entry in in_force(check.entries.filter(kind__in=(READING, WITHDRAW)).only(*fields, "by_id")):
        groups.setdefault((entry.quantity, entry.key), []).append(reading_value(entry))  # type: ignore[attr-defined]
        if entry.by_id == person.pk:  # type: ignore[attr-defined]
            last = [entry.key, entry.quantity]  # type: ignore[attr-defined]
    out: dict[str, list[list[int]]] = {}
    for (quantity, key), values in groups.items():
        if key not in rows or values != [getattr(rows[key], quantity)]:
            out.setdefault(quantity, []).append([key, *values])
    return out, last


def _earlier(check: Check, compass: Compass) -> tuple[str, dict[str, dict[str, int]]]:
    """The check before this one of the same piano: its name, and its readings by the keys of this set."""
    rows = Check.objects.filter(job__instrument=check.job.instrument_id, begun_at__lt=check.begun_at)
    found = rows.filter(keys__isnull=False).select_related("job__compass").order_by("-begun_at", "-pk").first()
    if found is None:
        return "", {}
    shift = found.job.compass.first_midi - compass.first_midi
    # A mortise of bare wood and one with its cloth in are no two readings of one thing.
    alike = (check.kind in BARE) == (found.kind in BARE)
    shown = [slug for slug in check.quantities if alike or slug not in PIN_OF]
    values = {
        str(row.key + shift): {slug: value for slug in shown if (value := getattr(row, slug)) is not None}
        for row in found.keys.all()
    }
    year = timezone.localdate(found.begun_at).year
    title = _("%(check)s %(year)s") % {"check": found.get_kind_display(), "year": year}
    return title, {key: row for key, row in values.items() if row}


def _quantity(check: Check, slug: str, units: str, held: Assumed, gauges: Sequence[Gauge]) -> dict[str, Any]:
    known, unit = QUANTITIES[slug], entry_unit(slug, units)
    return {
        "slug": slug,
        "title": quantity_title(slug),
        "unit": unit,
        "sign": unit_sign(unit),
        "decimals": 3 if unit == "in" else known.decimals,
        "signed": known.lowest < 0,
        "low": known.lowest,
        "high": known.highest,
        "floor": floor_of(slug, held),
        "usual": list(known.usual),
        "gauges": [gauge.pk for gauge in gauges if measures(gauge, slug)],
        "pin": PIN_OF.get(slug, ""),
        "mortise": MORTISE_OF.get(slug, ""),
        "limits": _limits(slug, held),
        "cloths": _cloths(slug, held) if check.kind in BARE else None,
    }


def _limits(slug: str, held: Assumed) -> list[int] | None:
    """The shop's limits of a quantity that is read as it is judged."""
    found = next((limit for limit in final_limits(held) if limit.quantity == slug), None)
    return [round(found.low * 1000), round(found.high * 1000)] if found else None


def _cloths(slug: str, held: Assumed) -> dict[str, Any] | None:
    """How much wider than its pin a balance mortise may be for each stocked cloth, [least, most]; the usual pin."""
    if slug != "balance_mortise_width":
        return None
    bands = []
    for cloth in held.stock:
        wide = 10.0  # the misfit rises by as much as the mortise does, so one is enough to know all
        exact = wide - fit.misfit(wide, held.pin, cloth, held.compression, held.clearance)
        bands.append([round((exact + slack - held.pin) * 1000) for slack in (held.lower, held.upper)])
    return {"bands": bands, "pin": round(held.pin * 1000)}


def _findings() -> list[dict[str, Any]]:
    groups: Mapping[str, str] = dict(FindingGroup.choices)  # type: ignore[arg-type]
    rows = list(Finding.objects.filter(retired_at__isnull=True))
    return [
        {
            "group": slug,
            "title": str(title),
            "findings": [
                {"code": row.code, "title": row.title, "grade": row.grade} for row in rows if row.group == slug
            ],
        }
        for slug, title in groups.items()
        if any(row.group == slug for row in rows)
    ]


def words() -> dict[str, str]:
    """What the script says."""
    return {
        "key_of": _("Key {n} of {count}"),
        "key": _("Key {n} · {name}"),
        "no_key": _("End of the keys"),
        "sharp": pgettext("key", "sharp"),
        "natural": pgettext("key", "natural"),
        "kept": _("{n} readings kept"),
        "one_kept": _("1 reading kept"),
        "waiting": _("{n} waiting for the network"),
        "photos": _("{n} photos among them"),
        "one_photo": _("1 photo among them"),
        "sending": _("{n} on their way"),
        "refused": _("{n} need a look"),
        "out": _("signed out: {n} stay on this tablet until you sign in"),
        "other": _("somebody else is signed in: {n} of yours stay on this tablet"),
        "closed": _("the check is closed: {n} stay on this tablet"),
        "clock": _("this tablet’s clock is {minutes} min off"),
        "elsewhere": _("{n} of other checks"),
        "no_box": _(
            "This tablet cannot keep entries by itself (private window, or its storage is full). "
            "Nothing can be entered here: use the sheet, or another tablet."
        ),
        "lost": _("That was not kept: the tablet’s storage is full. Write it down and free some space."),
        "empty": _("Type a reading, or skip this key."),
        "not_a_number": _("“{typed}” is not a number such as {example}."),
        "wrong_unit": _("“{typed}” is in another unit than {unit}."),
        "impossible": _("{typed} {unit} cannot be right: {low} to {high} is possible."),
        "look": _("Look again: {typed} lies far from the others, around {middle}. Enter again keeps it."),
        "unusual": _("Look again: {typed} is rare, {low} to {high} is usual. Enter again keeps it."),
        "no_entry": _(
            "{mortise} cannot be right: the pin of {pin} would not enter. Read the mortise or its pin again."
        ),
        "measured_with": _("{quantity}: measured with"),
        "pin": _("Look again: {typed} is no wider than its pin, {pin}. Enter again keeps it."),
        "keep": _("Keep, next key"),
        "keep_here": _("Keep, next reading"),
        "keep_it": _("Keep it all the same"),
        "left": _("“{typed}” of {name} was typed but not kept."),
        "enters": _("{typed} enters. Now the smallest gauge that does not."),
        "enters_next": _("{typed} enters. Now the smallest gauge that does not; the next one is {next}."),
        "stranger": _("Look again: {typed} is no gauge of “{name}”. Enter again keeps it."),
        "between": _("Look again: gauge {typed} lies between these two. Enter again keeps it."),
        "order": _("The gauge that does not enter must be larger than {typed}."),
        "is_kept": _("{name}: {typed} {unit} kept."),
        "again": _("{name}: {typed} {unit} kept, reading {n} of this key."),
        "skipped": _("{name} skipped."),
        "undone": _("{name}: taken back."),
        "nothing_to_undo": _("There is nothing to take back."),
        "all_read": _("Everything in this order is read."),
        "end": _("The order ends here; {n} are not read yet."),
        "now": _("Now {name}."),
        "none_in_order": _("No key is in that order now, so all keys come from bass to treble."),
        "of": _("{n} of {count}"),
        "axis": _("from {low} to {high}, dotted {centre}"),
        "let_go": _("A reading is of one key: {first} to {last} are let go."),
        "selected": _("{first} to {last}: {n} keys"),
        "found": _("{title}: {n} keys."),
        "found_one": _("{title}: {name}."),
        "cleared": _("{title} taken off {n} keys."),
        "cleared_one": _("{title} taken off {name}."),
        "photo": _("Photo of {name} kept."),
        "note": _("Note of {name} kept."),
        "no_keys": _("Write keys of this set, such as C3 to G4 or 40-52."),
        "will_be": _("will be kept as {text}"),
        "why_skip": _("{name}, {quantity}: why is it left out?"),
    }
