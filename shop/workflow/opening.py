"""The first day: the workshop's row and its starting values. Every value is the shop's to edit; all minutes and
prices are estimates or single sources, never a norm."""

from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from shop import seams
from shop.models import Guide, Operation, Person, Role, Unit, Workshop
from shop.workflow.events import record
from shop.workflow.refusal import Refused


def _operations() -> list[Operation]:
    rows: list[tuple[Any, ...]] = [
        # code, title, unit, minutes, material, price, stage, wait hours, cautions
        ("arrival", _("Examine every key, report"), Unit.SET, 90, "", 0, "arrival_check", 0, ["felt"]),
        ("strip", _("Take out old cloth and glue"), Unit.KEY, "0.50", "", 0, "strip", 12, ["felt", "glue"]),
        ("cloth", _("New bushing cloth, both rails"), Unit.KEY, 4, _("bushing cloth, glue"), "0.25", "cloth", 12, ["glue"]),
        ("repair", _("Line a torn mortise"), Unit.KEY, 8, _("veneer, glue"), "0.40", "repairs", 12, ["glue", "dust"]),
        ("repair_setup", _("Set up for lining mortises"), Unit.SET, 20, "", 0, "repairs", 0, []),
        ("button_single", _("New button, made singly"), Unit.KEY, 14, _("maple"), "1.50", "buttons", 24, ["machines", "dust", "drawing"]),
        ("button_batch", _("New button, made in a batch"), Unit.KEY, 8, _("maple"), "1.50", "buttons", 24, ["machines", "dust", "drawing"]),
        ("button_setup", _("Set up for one shape of button"), Unit.PIECE, 40, "", 0, "buttons", 0, ["drawing"]),
        ("pins", _("Polish and true all pins"), Unit.SET, 75, _("polish"), 2, "pins", 0, ["glue"]),
        ("holes", _("Tighten a balance hole"), Unit.KEY, 5, _("veneer, glue"), "0.20", "pins", 12, ["glue"]),
        ("leads", _("Clean and seal key leads"), Unit.KEY, 4, _("sealer"), "0.30", "leads", 12, ["lead"]),
        ("tops", _("Glue or mend a keytop"), Unit.KEY, 10, _("glue"), "0.50", "tops", 12, ["ivory", "glue"]),
        ("sticks", _("Glue or splice a key stick"), Unit.KEY, 25, _("wood, glue"), 1, "other", 12, ["glue", "dust"]),
        ("new_key", _("Make a missing key"), Unit.KEY, 120, _("wood, keytop, pin"), 15, "other", 12, ["machines", "dust", "glue"]),
        ("backrail", _("New back-rail cloth"), Unit.SET, 60, _("back-rail cloth"), 18, "frame", 4, ["felt", "lifting"]),
        ("ease", _("Ease, square and level all keys"), Unit.SET, 120, _("punchings"), 6, "ease", 0, ["lifting"]),
        ("final", _("Final check of every key, report, keyframe label"), Unit.SET, 90, "", 0, "final_check", 0, []),
        ("pack", _("Count out, pack for the carrier"), Unit.PIECE, 15, _("box, wrapping"), 4, "pack", 0, ["lifting"]),
        ("hour", _("Other work by the hour"), Unit.HOUR, 60, "", 0, "other", 0, []),
    ]  # fmt: skip
    return [
        Operation(
            code=code,
            title=title,
            unit=unit,
            minutes=Decimal(minutes),
            material=material,
            material_price=Decimal(price),
            stage=stage,
            wait_hours=wait,
            cautions=cautions,
            proves=["level"] if code == "ease" else [],
            position=place * 10,
        )
        for place, (code, title, unit, minutes, material, price, stage, wait, cautions) in enumerate(rows, start=1)
    ]


def _guides() -> list[Guide]:
    """What is easily forgotten, by stage: common practice, to begin with."""
    rows = {
        "count_in": [_("Row photo, with the pencilled cross"), _("Tag on every box")],
        "strip": [_("Keys stay in their order"), _("Old cloth bagged as dust")],
        "cloth": [_("Trial key fitted before the rest"), _("Cauls in, and their time written down")],
        "buttons": [_("First button held against the original key")],
        "pack": [_("Keys counted into their boxes"), _("Keyframe label glued on"), _("Report in the box")],
    }
    return [Guide(kind=kind, steps="\n".join(steps)) for kind, steps in rows.items()]


@transaction.atomic
def open_shop(**workshop: object) -> Workshop:
    """Makes the workshop's row (fields by keyword) and the starting values that are not there yet. Runs twice safely."""
    row = Workshop.objects.first() or Workshop()
    for name, value in workshop.items():
        setattr(row, name, value)
    row.full_clean()
    row.save()
    have = set(Operation.objects.values_list("code", flat=True))
    Operation.objects.bulk_create([operation for operation in _operations() if operation.code not in have])
    if not Guide.objects.exists():
        Guide.objects.bulk_create(_guides())
    for opening in seams.openings:
        opening()
    return row


def is_open() -> bool:
    """Whether anybody works here yet."""
    return Person.objects.exists()


# What the owner is led through once the shop is open, in this order. Each may be left as it is.
STEPS = ("hours", "money", "prices", "people")


def step_done(step: str) -> str:
    """The step after this one, "" after the last; the first day goes on from there, never back."""
    following = (*STEPS, "")[STEPS.index(step) + 1]
    Workshop.objects.filter(opening=step).update(opening=following)
    return following


@transaction.atomic
def first_day(*, workshop: dict[str, object], owner: Person, password: str) -> Person:
    """Opens the shop and makes its owner, once: Refused as soon as anybody works here.

    owner is a new, unsaved person; the password has been validated. The workshop's row is locked first, so that of
    two people at once only one becomes the owner.
    """
    row = Workshop.objects.first() or Workshop.objects.get_or_create(pk=1, defaults={"name": workshop["name"]})[0]
    Workshop.objects.select_for_update().get(pk=row.pk)
    if is_open():
        raise Refused(_("This workshop is open already."))
    open_shop(**workshop, opening=STEPS[0])
    owner.role = Role.OWNER
    owner.set_password(password)
    owner.save()
    record("shop_opened", by=owner)
    return owner
